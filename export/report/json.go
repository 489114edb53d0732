package report

import (
	"bytes"
	"encoding/json"
	"io"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export"
)

type jsonRun struct {
	ID              string     `json:"id"`
	Ticket          string     `json:"ticket"`
	Amplifier       string     `json:"amplifier"`
	Bench           string     `json:"bench"`
	Started         time.Time  `json:"started"`
	Ended           *time.Time `json:"ended"` // null: unfinished
	T               seconds    `json:"t"`
	SoakS           seconds    `json:"soak_s"`
	SoftwareVersion string     `json:"software_version"`
	CoreVersion     string     `json:"core_version"`
}

type jsonSocket struct {
	Name         string       `json:"name"`
	Tube         string       `json:"tube"`
	Half         string       `json:"half,omitempty"`
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
	}{
		Run: jsonRun{
			ID: f.RunID, Ticket: f.Job.Ticket, Amplifier: f.Job.Amplifier, Bench: f.Bench.Name,
			Started: f.Started.UTC(), T: seconds(f.End), SoakS: seconds(f.soak),
			SoftwareVersion: f.SoftwareVersion, CoreVersion: f.CoreVersion,
		},
		FiguresT: seconds(snap.T), Amplifier: amplifierJSON(snap.Amplifier),
		Verdict: v.Headline, Beside: append([]string{}, v.Beside...),
		Sockets: []jsonSocket{}, Meters: []jsonMeter{},
		Limits: limitsOf(f.Job.Limits), Quality: &f.quality, Host: append([]string{}, f.Host...),
	}
	if f.Ended {
		end := f.Started.Add(f.End).UTC()
		head.Run.Ended = &end
	}
	for i, s := range f.Job.Sockets {
		j := jsonSocket{Figures: figuresJSON(&s, nth(snap.Sockets, i)),
			Name: s.Name, Tube: tubeName(s), Half: s.Half, LimitW: s.Limit, LimitSource: s.Sheet}
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
		head.Sockets = append(head.Sockets, j)
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

func limitsOf(l bench.Limits) jsonLimits {
	return jsonLimits{
		Dissipation: l.Dissipation, DissipationFor: seconds(l.DissipationFor),
		SettleRate: l.SettleRate, SettlePer: seconds(l.SettlePer), SettleBy: seconds(l.SettleBy),
		Drift: l.Drift, Step: l.Step, RunawayWithin: seconds(l.RunawayWithin), Imbalance: l.Imbalance,
		Supply: l.Supply, Conduction: l.Conduction, IdleTolerance: l.IdleTolerance, HTUp: l.HTUp,
	}
}
