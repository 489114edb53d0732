package report

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"io"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export"
)

// Schema is the JSON Schema (draft 2020-12) of the report as JSON.
//
//go:embed schema.json
var Schema []byte

type jsonRun struct {
	ID              string     `json:"id"`
	Ticket          string     `json:"ticket"`
	Amplifier       string     `json:"amplifier"`
	Serial          string     `json:"serial,omitempty"`
	Technician      string     `json:"technician,omitempty"`
	Workshop        string     `json:"workshop,omitempty"`
	Address         []string   `json:"workshop_address,omitempty"`
	Parts           []string   `json:"parts_replaced,omitempty"`
	Notes           string     `json:"notes,omitempty"`
	Bench           string     `json:"bench"`
	Started         time.Time  `json:"started"`
	Ended           *time.Time `json:"ended"` // null: unfinished
	T               seconds    `json:"t"`
	SoakS           seconds    `json:"soak_s"`
	SoftwareVersion string     `json:"software_version"`
	CoreVersion     string     `json:"core_version"`
	Hash            *string    `json:"readings_sha256"` // of the readings as CSV; null: not worked out
}

type jsonSocket struct {
	Name         string       `json:"name"`
	Tube         string       `json:"tube"`
	Half         string       `json:"half,omitempty"`
	DateCode     string       `json:"date_code,omitempty"`
	LimitW       float64      `json:"limit_w"`
	LimitSource  string       `json:"limit_source"`
	Settled      bool         `json:"settled"`
	SettledT     *seconds     `json:"settled_t"`
	Current      socket.Value `json:"settled_cathode_current_a"`
	CurrentU95   socket.Value `json:"settled_cathode_current_u95_a"`
	Ratio        socket.Value `json:"settled_dissipation_ratio"`
	RatioU95     socket.Value `json:"settled_dissipation_ratio_u95"`
	Worst        socket.Value `json:"worst_dissipation_ratio"`
	WorstU95     socket.Value `json:"worst_dissipation_ratio_u95"`
	WorstT       *seconds     `json:"worst_t"`
	LastRatio    socket.Value `json:"last_dissipation_ratio"`
	LastRatioU95 socket.Value `json:"last_dissipation_ratio_u95"`
	LastCurrent  socket.Value `json:"last_cathode_current_a"`
	Figures      *jsonFigures `json:"figures"` // at figures_t; null when none are known
	AsFound      *jsonIdle    `json:"as_found"`
	AsLeft       *jsonIdle    `json:"as_left"`
}

type jsonMeter struct {
	Name     string  `json:"name"`
	Format   string  `json:"format"`
	Accuracy *string `json:"accuracy"`
	Scale    float64 `json:"scale"`
	Readings *uint64 `json:"readings"`
	Rejected *uint64 `json:"rejected"`
	State    string  `json:"state,omitempty"`
}

type jsonLimits struct {
	Dissipation    float64 `json:"dissipation_ratio"`
	DissipationFor seconds `json:"dissipation_for_s"`
	SettleRate     float64 `json:"settle_rate_ratio"`
	SettlePer      seconds `json:"settle_per_s"`
	SettleBy       seconds `json:"settle_by_s"`
	Drift          float64 `json:"drift_ratio"`
	Step           float64 `json:"step_ratio"`
	RunawayWithin  seconds `json:"runaway_within_s"`
	Imbalance      float64 `json:"imbalance_ratio"`
	Supply         float64 `json:"supply_ratio"`
	Conduction     float64 `json:"conduction_a"`
	IdleTolerance  float64 `json:"idle_tolerance_ratio"`
	HTUp           float64 `json:"ht_up_v"`
}

type seconds = alarms.Seconds

// writeJSON writes one object: run, verdict, sockets, meters, limits, events.
// Each event stands alone on its line, in the very bytes of its json.Marshal.
// Schema describes it.
func writeJSON(w io.Writer, f *facts) error {
	v := f.verdict()
	snap, _ := f.at()
	head := struct {
		Run       jsonRun         `json:"run"`
		Verdict   string          `json:"verdict"`
		Beside    []string        `json:"beside"`
		FiguresT  seconds         `json:"figures_t"` // of the figures of sockets and amplifier
		Sockets   []jsonSocket    `json:"sockets"`
		Amplifier jsonAmplifier   `json:"amplifier"`
		Meters    []jsonMeter     `json:"meters"`
		Limits    jsonLimits      `json:"limits"`
		Quality   *alarms.Quality `json:"alarm_quality"`
		Host      []string        `json:"host"`
		First     *jsonFirst      `json:"first_power,omitempty"` // of a run that began as one
		Against   *jsonAgainst    `json:"against,omitempty"`     // the run to compare with
	}{
		Run: f.runJSON(), FiguresT: seconds(snap.T), Amplifier: amplifierJSON(snap.Amplifier),
		Verdict: v.Headline, Beside: append([]string{}, v.Beside...),
		Sockets: f.socketsJSON(), Meters: []jsonMeter{},
		Limits: limitsOf(f.Job.Limits), Quality: &f.quality, Host: append([]string{}, f.Host...), First: f.firstPowerJSON(),
	}
	if f.before != nil {
		head.Against = &jsonAgainst{f.before.runJSON(), f.before.socketsJSON()}
	}
	for i, m := range f.Bench.Meters {
		j := jsonMeter{Name: m.Name, Format: m.Format.Name, Scale: m.Scale, Readings: nth(f.Readings, i), Rejected: nth(f.Rejects, i)}
		if m.Accuracy.Given {
			a := accuracy(m.Accuracy)
			j.Accuracy = &a
		}
		if s := nth(f.Final.Meters, i); s != nil {
			j.State = s.State
		}
		head.Meters = append(head.Meters, j)
	}
	b, err := json.Marshal(head)
	if err != nil {
		return err
	}
	b = append(bytes.TrimSuffix(b, []byte("}")), ",\"events\":["...)
	for i := range f.Events {
		e, err := json.Marshal(f.Events[i])
		if err != nil {
			return err
		}
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(b, '\n'), e...)
	}
	_, err = w.Write(append(b, "\n]}\n"...))
	return err
}

type jsonAgainst struct {
	Run     jsonRun      `json:"run"`
	Sockets []jsonSocket `json:"sockets"`
}

func (f *facts) runJSON() jsonRun {
	r := jsonRun{
		ID: f.RunID, Ticket: f.Job.Ticket, Amplifier: f.Job.Amplifier, Bench: f.Bench.Name,
		Serial: f.Job.Serial, Technician: f.Job.Technician, Workshop: f.Job.Workshop.Name, Address: f.Job.Workshop.Address,
		Parts: f.Job.Parts, Notes: f.Job.Notes,
		Started: f.Started.UTC(), T: seconds(f.End), SoakS: seconds(f.soak),
		SoftwareVersion: f.SoftwareVersion, CoreVersion: f.CoreVersion,
	}
	if f.Ended {
		end := f.Started.Add(f.End).UTC()
		r.Ended = &end
	}
	if f.Hash != "" {
		r.Hash = &f.Hash
	}
	return r
}

func (f *facts) socketsJSON() []jsonSocket {
	snap, _ := f.at()
	all := []jsonSocket{}
	for i, s := range f.Job.Sockets {
		j := jsonSocket{Figures: figuresJSON(&s, nth(snap.Sockets, i)),
			Name: s.Name, Tube: tubeName(s), Half: s.Half, DateCode: s.DateCode, LimitW: s.Limit, LimitSource: s.Sheet}
		if e := f.settled[i]; e != nil {
			j.Settled, j.SettledT = true, &e.T
			if e.CathodeCurrent != nil {
				j.Current, j.CurrentU95 = *e.CathodeCurrent, export.U95(*e.CathodeCurrent)
			}
			if e.DissipationRatio != nil {
				j.Ratio, j.RatioU95 = *e.DissipationRatio, export.U95(*e.DissipationRatio)
			}
		}
		if x := f.worst(i); x.Ratio.Known {
			t := seconds(x.T)
			j.Worst, j.WorstU95, j.WorstT = x.Ratio, export.U95(x.Ratio), &t
		}
		if l := nth(f.Final.Sockets, i); l != nil {
			j.AsFound, j.AsLeft = idleJSON(l.AsFound), idleJSON(l.AsLeft)
			j.LastRatio, j.LastRatioU95, j.LastCurrent = l.DissipationRatio, export.U95(l.DissipationRatio), l.CathodeCurrent
		}
		all = append(all, j)
	}
	return all
}

func limitsOf(l bench.Limits) jsonLimits {
	return jsonLimits{
		Dissipation: l.Dissipation, DissipationFor: seconds(l.DissipationFor),
		SettleRate: l.SettleRate, SettlePer: seconds(l.SettlePer), SettleBy: seconds(l.SettleBy),
		Drift: l.Drift, Step: l.Step, RunawayWithin: seconds(l.RunawayWithin), Imbalance: l.Imbalance,
		Supply: l.Supply, Conduction: l.Conduction, IdleTolerance: l.IdleTolerance, HTUp: l.HTUp,
	}
}
