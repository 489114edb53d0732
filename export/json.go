package export

import (
	"encoding/json"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/drivers"
)

// The shapes below are what /api/state shows: SI units, null for unknown, ages
// and durations in seconds of run time, wall-clock stamps in RFC 3339 UTC.

type stateJSON struct {
	Bench   string       `json:"bench"`
	Run     *runJSON     `json:"run"` // null when no run is on
	HT      htJSON       `json:"ht"`
	Amp     ampJSON      `json:"amplifier"`
	Sockets []socketJSON `json:"sockets"`
	Watches []watchJSON  `json:"watches"`
	Meters  []meterJSON  `json:"meters"`
	Alarms  []alarmJSON  `json:"alarms"`
	Notices []string     `json:"notices"`
	Cutoff  cutoff.State `json:"cutoff"`
	First   *firstJSON   `json:"first_power,omitempty"` // while its limits hold
}

type firstJSON struct {
	Mains      socket.Value `json:"mains_volts"`
	MainsRatio socket.Value `json:"mains_ratio"`
	HTLimit    socket.Value `json:"ht_at_most_volts"` // null where the job expects none
}

type runJSON struct {
	ID        string         `json:"id"`
	Ticket    string         `json:"ticket"`
	Amplifier string         `json:"amplifier"`
	Started   time.Time      `json:"started"` // wall clock at run time 0
	Phase     alarms.Phase   `json:"phase"`
	Since     time.Time      `json:"since"` // wall clock at which the phase began
	T         alarms.Seconds `json:"t"`
}

type htJSON struct {
	Volts   socket.Value `json:"volts"`
	Charged *bool        `json:"charged"` // null: no telling, so take it as charged
	Settled socket.Value `json:"settled_volts"`
}

type ampJSON struct {
	HTCurrent socket.Value `json:"ht_current_a"`
	Power     socket.Value `json:"power_w"`
	FuseRatio socket.Value `json:"fuse_ratio"`
	Imbalance socket.Value `json:"imbalance"`
}

type idleJSON struct {
	T                alarms.Seconds `json:"t"`
	CathodeCurrent   socket.Value   `json:"cathode_current_a"`
	PlateCurrent     socket.Value   `json:"plate_current_a"`
	PlateVolts       socket.Value   `json:"plate_volts"`
	DissipationRatio socket.Value   `json:"dissipation_ratio"`
}

type socketJSON struct {
	Name             string       `json:"name"`
	Tube             string       `json:"tube"`
	Half             string       `json:"half,omitempty"`
	CathodeCurrent   socket.Value `json:"cathode_current_a"`
	PlateCurrent     socket.Value `json:"plate_current_a"`
	PlateVolts       socket.Value `json:"plate_volts"`
	PlateDissipation socket.Value `json:"plate_dissipation_w"`
	DissipationRatio socket.Value `json:"dissipation_ratio"`
	RatioU95         socket.Value `json:"dissipation_ratio_u95"`
	Limit            socket.Value `json:"limit_w"`
	Target           socket.Value `json:"target_ratio"` // null without an idle target
	Drift            socket.Value `json:"drift_per_hour_ratio"`
	Settled          bool         `json:"settled"`
	SettledRatio     socket.Value `json:"settled_ratio"`
	SettledAt        *time.Time   `json:"settled_at"`
	SettlesIn        socket.Value `json:"settles_in_s"`
	SettlesAt        socket.Value `json:"settles_at_a"`
	SettlesAtU95     socket.Value `json:"settles_at_a_u95"`
	LimitEarly       socket.Value `json:"limit_in_s_early"`
	LimitLate        socket.Value `json:"limit_in_s_late"`
	NotConducting    bool         `json:"not_conducting"`
	Age              socket.Value `json:"age_s"`

	ScreenCurrent       socket.Value `json:"screen_current_a"`
	ScreenDissipation   socket.Value `json:"screen_dissipation_w"`
	ScreenRatio         socket.Value `json:"screen_ratio"`
	PlateVoltsRatio     socket.Value `json:"plate_volts_ratio"`
	CathodeCurrentRatio socket.Value `json:"cathode_current_ratio"`
	AsFound             *idleJSON    `json:"as_found"`
	AsLeft              *idleJSON    `json:"as_left"`
	Neighbour           socket.Value `json:"neighbour"`
}

type watchJSON struct {
	Name  string       `json:"name"`
	Value socket.Value `json:"value"`
	Unit  string       `json:"unit"` // SI
	Marks []markJSON   `json:"marks,omitempty"`
}

type markJSON struct {
	T       alarms.Seconds `json:"t"`
	Text    string         `json:"text"`
	Reading string         `json:"reading"`
	Unit    string         `json:"unit"`
}

type meterJSON struct {
	Name     string            `json:"name"`
	State    string            `json:"state"`
	Reading  *string           `json:"reading"` // as displayed; null when the meter is not being heard
	Unit     *string           `json:"unit"`    // as displayed, with prefix
	Flags    []string          `json:"flags"`
	Age      socket.Value      `json:"age_s"`
	Readings uint64            `json:"readings"`
	Rejected map[string]uint64 `json:"rejected"` // frames, by reason; reasons that never occurred are left out
	Text     string            `json:"text,omitempty"`
}

type alarmJSON struct {
	ID       string          `json:"id"`
	Alarm    string          `json:"alarm"`
	Subject  string          `json:"subject"`
	Priority alarms.Priority `json:"priority"`
	State    alarms.State    `json:"state"`
	Active   bool            `json:"active"`
	Since    time.Time       `json:"since"`
	Until    *time.Time      `json:"until,omitempty"` // of a shelved one
	Text     string          `json:"text"`
	Advice   string          `json:"advice"`

	Cause       string          `json:"cause,omitempty"`
	Consequence string          `json:"consequence,omitempty"` // when nobody acts within
	Within      alarms.Response `json:"within,omitempty"`
}

func idle(i *alarms.Idle) *idleJSON {
	if i == nil {
		return nil
	}
	return &idleJSON{alarms.Seconds(i.T), known(i.CathodeCurrent), known(i.PlateCurrent), known(i.PlateVolts), known(i.DissipationRatio)}
}

// MarshalJSON is the state as /api/state shows it: SI units, null for unknown,
// "run" null when no run is on, wall-clock stamps in RFC 3339 UTC.
func (s State) MarshalJSON() ([]byte, error) {
	snap := &s.Snapshot
	v := stateJSON{
		Bench:   s.Bench,
		HT:      htJSON{known(snap.HT.Volts), snap.HT.Charged, known(snap.HT.Settled)},
		Amp:     ampJSON{known(snap.Amplifier.HTCurrent), known(snap.Amplifier.Power), known(snap.Amplifier.FuseRatio), known(snap.Amplifier.Imbalance)},
		Sockets: make([]socketJSON, 0, len(snap.Sockets)),
		Watches: make([]watchJSON, 0, len(snap.Watches)),
		Meters:  make([]meterJSON, 0, len(snap.Meters)),
		Alarms:  make([]alarmJSON, 0, len(snap.Alarms)),
		Notices: append([]string{}, s.Notices...),
		Cutoff:  s.Cutoff,
	}
	if f := snap.FirstPower; f != nil && f.Holds {
		v.First = &firstJSON{known(f.Mains), known(f.MainsRatio), known(f.HTLimit)}
	}
	if v.Cutoff.State == "" {
		v.Cutoff.State = cutoff.Absent
	}
	if s.RunID != "" {
		v.Run = &runJSON{s.RunID, s.Ticket, s.Amplifier, s.Wall(0), snap.Phase, s.Wall(snap.PhaseSince), alarms.Seconds(snap.T)}
	}
	for i := range snap.Sockets {
		k := &snap.Sockets[i]
		j := socketJSON{
			Name: k.Name, Tube: k.Tube, Half: k.Half,
			CathodeCurrent: known(k.CathodeCurrent), PlateCurrent: known(k.PlateCurrent), PlateVolts: known(k.PlateVolts),
			PlateDissipation: known(k.PlateDissipation), DissipationRatio: known(k.DissipationRatio),
			RatioU95: U95(k.DissipationRatio), Limit: known(socket.Value{X: k.Limit, Known: k.Limit > 0}),
			Target: known(socket.Value{X: k.Target, Known: k.Target > 0}),
			Drift:  known(k.DriftPerHour), Settled: k.Settled, SettledRatio: known(k.SettledRatio),
			SettlesIn: known(k.SettlesIn), SettlesAt: known(k.SettlesAt), SettlesAtU95: U95(k.SettlesAt),
			LimitEarly: known(k.LimitEarly), LimitLate: known(k.LimitLate), NotConducting: k.NotConducting, Age: known(k.Age),
			ScreenCurrent: known(k.ScreenCurrent), ScreenDissipation: known(k.ScreenDissipation), ScreenRatio: known(k.ScreenRatio),
			PlateVoltsRatio: known(k.PlateVoltsRatio), CathodeCurrentRatio: known(k.CathodeCurrentRatio),
			AsFound: idle(k.AsFound), AsLeft: idle(k.AsLeft), Neighbour: known(k.Neighbour),
		}
		if k.SettledRatio.Known {
			at := s.Wall(k.SettledAt)
			j.SettledAt = &at
		}
		v.Sockets = append(v.Sockets, j)
	}
	for _, w := range snap.Watches {
		j := watchJSON{Name: w.Name, Value: known(w.Value), Unit: w.SIUnit()}
		for _, m := range w.Marks {
			j.Marks = append(j.Marks, markJSON{alarms.Seconds(m.T), m.Label, m.Reading.Text(), m.Reading.Unit()})
		}
		v.Watches = append(v.Watches, j)
	}
	for i := range snap.Meters {
		m := &snap.Meters[i]
		j := meterJSON{Name: m.Name, State: m.State, Age: known(m.Age), Readings: m.Readings, Text: m.Text,
			Flags: []string{}, Rejected: map[string]uint64{}}
		if Heard(m) {
			reading, unit := m.Reading.Text(), m.Reading.Unit()
			j.Reading, j.Unit, j.Flags = &reading, &unit, m.Reading.Flags.Names()
		}
		for why, n := range s.Rejected(i) {
			if n > 0 {
				j.Rejected[drivers.Reason(why).String()] = n
			}
		}
		v.Meters = append(v.Meters, j)
	}
	for _, a := range snap.Alarms {
		j := alarmJSON{ID: a.ID, Alarm: a.Alarm, Subject: a.Subject, Priority: a.Priority, State: a.State, Active: a.Active, Since: s.Wall(a.Since),
			Text: a.Text, Advice: a.Advice, Cause: a.Cause, Consequence: a.Consequence, Within: a.Within}
		if a.Until > 0 {
			until := s.Wall(a.Until)
			j.Until = &until
		}
		v.Alarms = append(v.Alarms, j)
	}
	return json.Marshal(v)
}
