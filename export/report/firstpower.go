package report

import (
	"fmt"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/report/chart"
)

// viewFirst is a first power-up in words.
type viewFirst struct {
	Words   string
	ByMains bool        // Rise is against the mains
	Rise    [][3]string // when, mains, HT
	Sockets [][5]string // name, when it first conducted, HT then, highest current, when
	Raised  []string
}

// firstPower is nil in a run that did not begin as a first power-up.
func (f *facts) firstPower() *viewFirst {
	p := f.Final.FirstPower
	if p == nil {
		return nil
	}
	v := &viewFirst{ByMains: p.Watched}
	end, until := f.firstPowerEnd(), "the soak began"
	if p.Holds {
		until = "the record ends"
	} else if len(f.phases) > 0 && f.phases[len(f.phases)-1].name == alarms.Ended && f.phases[len(f.phases)-1].from == end {
		until = "the run was ended"
	}
	v.Words = fmt.Sprintf("The tight limits of a first power-up held from %s until %s at %s. ", chart.ClockSeconds(p.From), until, chart.ClockSeconds(end))
	if p.HTUp.Known {
		v.Words += "HT came up at " + at(p.HTUp) + "; the highest in that time was " + figure(p.HTHighest.Value, 1, 0, "V") + ", at " + chart.ClockSeconds(p.HTHighest.T) + "."
	} else {
		v.Words += "HT did not come up in that time."
	}
	if f.Job.FirstPower.PlateVolts == 0 {
		v.Words += " The job expects no HT, so HT was not judged."
	}
	for _, r := range p.Rise {
		v.Rise = append(v.Rise, [3]string{chart.ClockSeconds(r.T), figure(r.Mains, 1, 0, "V"), figure(r.HT, 1, 0, "V")})
	}
	for _, k := range p.Sockets {
		row := [5]string{k.Name, "did not", unknown, figure(k.Highest.Value, 1000, 2, "mA"), chart.ClockSeconds(k.Highest.T)}
		if k.At.Known {
			row[1], row[2] = at(k.At), figure(k.HT, 1, 0, "V")
		}
		if !k.Highest.Value.Known {
			row[1], row[4] = unknown, ""
		}
		v.Sockets = append(v.Sockets, row)
	}
	for _, e := range f.firstPowerAlarms() {
		v.Raised = append(v.Raised, chart.ClockSeconds(e.from)+": "+e.text)
	}
	return v
}

// at is a known run time as a clock.
func at(v socket.Value) string {
	return chart.ClockSeconds(time.Duration(v.X * float64(time.Second)))
}

func (f *facts) firstPowerEnd() time.Duration {
	if p := f.Final.FirstPower; !p.Holds {
		return p.To
	}
	return f.End
}

// firstPowerAlarms are those raised while its limits held.
func (f *facts) firstPowerAlarms() (in []*episode) {
	for _, e := range f.alarms {
		if e.raised && e.from >= f.Final.FirstPower.From && e.from <= f.firstPowerEnd() {
			in = append(in, e)
		}
	}
	return in
}

type jsonHighest struct {
	Value socket.Value `json:"value"` // SI
	T     *seconds     `json:"t"`     // null when the value is unknown
}

type jsonRise struct {
	T     seconds      `json:"t"`
	Mains socket.Value `json:"mains_v"`
	HT    socket.Value `json:"ht_v"`
}

type jsonFirstSocket struct {
	Name    string       `json:"name"`
	At      socket.Value `json:"conducts_t"` // null: it did not
	HT      socket.Value `json:"conducts_ht_v"`
	Highest jsonHighest  `json:"highest_current_a"`
}

type jsonFirst struct {
	From     seconds           `json:"from_t"`
	To       *seconds          `json:"to_t"` // null: its limits still held
	Expected socket.Value      `json:"expected_ht_v"`
	HTUp     socket.Value      `json:"ht_up_t"`
	Highest  jsonHighest       `json:"highest_ht_v"`
	Rise     []jsonRise        `json:"rise"`
	Sockets  []jsonFirstSocket `json:"sockets"`
	Raised   []string          `json:"raised"` // ids of alarms
}

func highestJSON(h alarms.Highest) jsonHighest {
	j := jsonHighest{Value: h.Value}
	if t := seconds(h.T); h.Value.Known {
		j.T = &t
	}
	return j
}

// firstPowerJSON is nil in a run that did not begin as a first power-up.
func (f *facts) firstPowerJSON() *jsonFirst {
	p := f.Final.FirstPower
	if p == nil {
		return nil
	}
	j := &jsonFirst{From: seconds(p.From), HTUp: p.HTUp, Highest: highestJSON(p.HTHighest), Rise: []jsonRise{}, Sockets: []jsonFirstSocket{}, Raised: []string{}}
	if v := f.Job.FirstPower.PlateVolts; v > 0 {
		j.Expected = socket.Value{X: v, Known: true}
	}
	if to := seconds(p.To); !p.Holds {
		j.To = &to
	}
	for _, r := range p.Rise {
		j.Rise = append(j.Rise, jsonRise{seconds(r.T), r.Mains, r.HT})
	}
	for _, k := range p.Sockets {
		j.Sockets = append(j.Sockets, jsonFirstSocket{k.Name, k.At, k.HT, highestJSON(k.Highest)})
	}
	for _, e := range f.firstPowerAlarms() {
		j.Raised = append(j.Raised, e.alarm+"/"+e.subject)
	}
	return j
}
