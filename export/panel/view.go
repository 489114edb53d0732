package panel

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/alarms/drill"
	"nightsoak/drivers"
	"nightsoak/export"
	"nightsoak/export/report/chart"
)

// A page is a frame and a list of sections, each a template of its own. The
// stream sends a section again when it has changed, so what people see is
// worded in one place, here.
var sections = map[string][]string{
	"bench": {"head", "cutoff", "first", "notices", "alarms", "sockets", "acts", "meters", "happened", "runs"},
	"wall":  {"head", "sockets", "verdict", "trace"},
	"idle":  {"head", "hand", "trims", "verdict"},
}

// slow are the sections that are drawn anew only this often: they cost more
// and change less.
var slow = map[string]time.Duration{"trace": 5 * time.Second, "runs": 20 * time.Second, "acts": 2 * time.Second}

var pages = template.Must(template.New("").Funcs(template.FuncMap{
	"numeral": numeral,
	"under":   func(up, id string) map[string]string { return map[string]string{"Up": up, "ID": id} },
	"pct":     func(y float64) string { return strconv.FormatFloat(y, 'f', 2, 64) + "%" },
}).ParseFS(assets, "assets/*.html"))

// view is what the templates show: words and figures, ready to be read.
type view struct {
	Name    string // "bench", "wall" or "idle"
	Build   string
	Look    string // "light", or empty for dark
	Bench   string
	On      bool // a run is on
	Run     string
	Ticket  string
	Amp     string
	Phase   string
	Phased  string // how long the phase has lasted
	Elapsed string // run time
	Started string

	HT      htView
	Idle    *idleView // of the idle page
	Sockets []socketView
	Columns int // of sockets, on a screen that is wider than high
	Upright int // of sockets, on one that is higher than wide
	Alarms  []alarmView
	Top     *alarmView // the one that matters most; nil when none needs anybody
	More    int        // others that need somebody
	Heard   int        // meters that are talking
	Meters  []meterView
	Watches []watchView
	Notices []string
	Cut     cutView
	First   *firstView // nil but while the limits of a first power-up hold
	Events  []eventView
	Before  int // events of this run that are not shown
	LastSeq int // sequence number of the last event
	Trace   template.HTML
	Scope   *scopeView // of the bench page
	Runs    []runRow
	RunsErr string

	Going  bool     // a run is on and has not ended
	Probes []string // meters whose probe is moved about
	Roved  []string // the sockets they are moved to
	Faults []fault
	Jobs   []runRow // runs whose job another may begin with
}

// firstView is a first power-up.
type firstView struct {
	HT, Mains string // with what they are measured against
	Sockets   []firstSocket
}

type firstSocket struct{ Name, Current string }

// cutView is the cut-off in words.
type cutView struct {
	There bool // there is one
	Bad   bool // it has failed
	Down  bool // it has dropped, or is dropping
	Words string
	Why   string
}

type htView struct {
	Volts  string // "462", empty when unknown
	Words  string // what a hand must know; empty while HT is simply up
	Warn   bool   // the words are a warning
	Down   bool   // the probe reads little, which proves that one node only
	Spoken string
}

type socketView struct {
	Name, Tube, Half string
	Percent          string // whole, empty when unknown
	Exact            string // with one decimal and its uncertainty
	Spoken           string
	Known            bool
	Blind            bool // unknown although HT is up
	Over             bool

	// Where things stand in the glass, percent from its top.
	Level, Rim                      float64
	Fill                            float64 // height of the fill
	HasTarget                       bool
	TargetAt, TargetHigh, TargetLow float64
	TargetSpan                      float64
	Target                          string
	SettlesAt                       string // forecast current, empty for none

	Current, Plate, Watts, Volts, Limit string
	Drift                               string
	Arrow                               string // "flat", "up", "down", "steep-up", "steep-down"; empty when unknown
	Settle                              string
	Settled                             bool
	Age                                 string

	Alarm *alarmView // the one that matters most here; nil when none
}

type alarmView struct {
	ID, Alarm, Subject string
	Priority           string
	Symbol             string // id of the drawn symbol
	State              string // as people say it
	Class              string // for the style sheet
	Since              string
	Text, Advice       string
	Cause, Consequence string
	Within             string // how soon to act
	CanAcknowledge     bool
	Latched            bool
	Shelved            bool
	Out                bool // of service
	Flood              bool // names others, and cannot be put aside
}

type meterView struct {
	Name, State, Reading, Flags, Age, Text string
	Bad                                    bool
	Warns                                  []string // what its flags foretell
	Pace                                   string   // "2.5 a second"
	Readings, Rejected                     uint64
	Reasons                                string // why frames were
}

type watchView struct{ Name, Value string }

type eventView struct {
	Clock, At, What, Text string
	Rank                  int
}

// glassTop is the share of the limit at which the glass ends: the rim, at
// 100 %, stands below it, so that over the limit can be seen to be over.
const glassTop = 1.25

// shownRuns is how many runs the bench page lists.
const shownRuns = 5

// shownEvents is how many events the bench page lists, newest first.
const shownEvents = 40

// look makes the view of a state.
func look(name string, s *export.State, events []alarms.Event) *view {
	snap := &s.Snapshot
	v := &view{Name: name, Build: build, Bench: s.Bench, On: s.RunID != "", Run: s.RunID, Ticket: s.Ticket, Amp: s.Amplifier, Notices: s.Notices}
	if v.On {
		v.Phase = string(snap.Phase)
		if f := snap.FirstPower; f != nil && f.Holds {
			v.Phase += ", first power-up"
		}
		v.Phased = ago(snap.T - snap.PhaseSince)
		v.Elapsed = ago(snap.T)
		v.Started = s.Wall(0).Local().Format("2006-01-02 15:04 MST")
	}
	v.Cut = lookCutoff(s.Cutoff)
	v.First = lookFirst(snap)
	v.Going = v.On && snap.Phase != alarms.Ended
	v.Faults = faults
	v.HT = lookHT(snap.HT, snap.Phase, v.On)
	for _, a := range snap.Alarms {
		v.Alarms = append(v.Alarms, lookAlarm(s, a))
	}
	for i, a := range snap.Alarms {
		if !calls(a) {
			continue
		}
		if v.Top == nil {
			v.Top = &v.Alarms[i]
		} else {
			v.More++
		}
	}
	for i := range snap.Sockets {
		k := lookSocket(&snap.Sockets[i], snap.Phase)
		for j, a := range snap.Alarms {
			if a.Subject == k.Name && calls(a) {
				k.Alarm = &v.Alarms[j]
				break
			}
			if a.Subject == k.Name && a.State == alarms.Suppressed && a.Active && k.Alarm == nil {
				// A flood tells of it, and here is where it is.
				at := v.Alarms[j]
				at.Class, k.Alarm = at.Priority, &at
			}
		}
		v.Sockets = append(v.Sockets, k)
	}
	v.Columns, v.Upright = columns(len(v.Sockets))
	for i := range snap.Meters {
		m := lookMeter(&snap.Meters[i])
		rejected := s.Rejected(i)
		m.Rejected, m.Reasons = rejected.Total(), reasons(&rejected)
		if !m.Bad {
			v.Heard++
		}
		v.Meters = append(v.Meters, m)
	}
	for _, w := range snap.Watches {
		value := "unknown"
		if w.Value.Known {
			value = fmt.Sprintf("%.4g %s", w.Value.X, w.SIUnit())
		}
		v.Watches = append(v.Watches, watchView{w.Name, value})
	}
	if n := len(events); n > 0 {
		v.LastSeq = events[n-1].Seq
		v.Before = max(n-shownEvents, 0)
		for _, e := range slices.Backward(events[v.Before:]) {
			v.Events = append(v.Events, lookEvent(s, &e))
		}
	}
	return v
}

// lookCutoff words the cut-off. That it was told to drop is not that the mains
// are off: only HT and currents seen to fall are.
func lookCutoff(c cutoff.State) cutView {
	v := cutView{There: c.State != "" && c.State != cutoff.Absent, Why: c.Why}
	switch c.State {
	case cutoff.Armed:
		v.Words, v.Why = "Cut-off armed", "by "+c.By
		if c.Holding {
			v.Why += ", holding"
		}
	case cutoff.Dropping:
		v.Words, v.Down = "Dropping the mains", true
	case cutoff.Cut:
		v.Down = true
		switch c.Proof {
		case cutoff.Proved:
			v.Words = "Mains dropped, HT and currents were seen to fall"
		case cutoff.Waiting:
			v.Words = "Told to drop the mains, waiting for HT and currents to fall"
		default:
			v.Words = "Told to drop the mains, not proved"
		}
	case cutoff.Failed:
		v.Words, v.Bad, v.Down = "Cut-off failed", true, c.Proof != ""
	}
	return v
}

// columns is how many columns n sockets stand in, on a wide screen and on a high one.
func columns(n int) (wide, high int) {
	wide, high = n, 1
	if n > 6 {
		wide = (n + 1) / 2
	}
	switch {
	case n > 6:
		high = 3
	case n > 2:
		high = 2
	}
	return wide, high
}

// calls says whether an alarm calls for somebody: it stands, or is over but
// nobody has seen or reset it, and nobody has put it aside.
func calls(a alarms.AlarmState) bool {
	switch a.State {
	case alarms.Unacknowledged, alarms.Acknowledged, alarms.Returned, alarms.Latched:
		return true
	}
	return false
}

func lookHT(ht alarms.HTState, phase alarms.Phase, on bool) htView {
	var v htView
	if ht.Volts.Known {
		v.Volts = places(ht.Volts.X)
		v.Spoken = v.Volts + " volts"
	}
	up := on && (phase == alarms.WarmUp || phase == alarms.Soak)
	switch {
	case up && ht.Volts.Known && (ht.Charged == nil || *ht.Charged):
		// HT is up and everybody can see it: no more words.
	case ht.Charged == nil && ht.Volts.Known: // its clip came off
		v.Words, v.Warn = "this reading proves nothing, treat as charged", on
	case ht.Charged == nil:
		v.Words, v.Warn = "HT unknown, treat as charged", on
	case *ht.Charged:
		v.Words, v.Warn = "still charged", true
	default:
		v.Words, v.Down = "prove every capacitor dead before touching", true
	}
	return v
}

// lookFirst is what counts while the variac comes up: HT against the mains, and
// every current from the first milliamp.
func lookFirst(snap *alarms.Snapshot) *firstView {
	f := snap.FirstPower
	if f == nil || !f.Holds {
		return nil
	}
	v := &firstView{HT: "unknown"}
	if h := snap.HT.Volts; h.Known {
		v.HT = places(h.X) + " V"
	}
	if f.HTLimit.Known {
		v.HT += " of at most " + places(f.HTLimit.X) + " V"
	}
	switch {
	case f.Mains.Known && f.MainsRatio.Known:
		v.Mains = fmt.Sprintf("%s V, %.0f %%", places(f.Mains.X), 100*f.MainsRatio.X)
	case f.Watched:
		v.Mains = "unknown"
	}
	for i := range snap.Sockets {
		k := &snap.Sockets[i]
		v.Sockets = append(v.Sockets, firstSocket{k.Name, small(current(k))})
	}
	return v
}

// small is a current with as many decimals as it is small: the meters give no more.
func small(i socket.Value) string {
	if !i.Known {
		return "unknown"
	}
	decimals, finest := 1, 10.0
	if math.Abs(i.X) < 0.00995 {
		decimals, finest = 2, 100
	}
	return strings.Replace(fmt.Sprintf("%.*f mA", decimals, math.Round(1000*i.X*finest)/finest+0), "-", "\u2212", 1)
}

func lookSocket(k *alarms.SocketState, phase alarms.Phase) socketView {
	v := socketView{
		Name: k.Name, Tube: k.Tube, Half: k.Half, Settled: k.Settled,
		Known: k.DissipationRatio.Known, Rim: at(1), Level: 100,
		Current: unit(current(k), 1000, "mA"), Plate: unit(k.PlateCurrent, 1000, "mA"),
		Watts: unit(k.PlateDissipation, 1, "W"), Limit: fmt.Sprintf("%.4g W", k.Limit),
		Volts: "unknown", Age: "never",
		Exact: "unknown", Spoken: k.Name + ": share of the limit unknown",
	}
	if k.PlateVolts.Known {
		v.Volts = places(k.PlateVolts.X) + " V"
	}
	if r := k.DissipationRatio; r.Known {
		v.Percent = strconv.FormatFloat(math.Round(100*r.X)+0, 'f', 0, 64)
		v.Exact = fmt.Sprintf("%.1f", 100*r.X)
		if u := export.U95(r); u.Known {
			v.Exact += fmt.Sprintf(" ± %.1f", 100*u.X)
		}
		v.Exact += " %"
		v.Spoken = v.Name + ": " + v.Percent + " percent of the limit"
		v.Level = at(r.X)
		v.Fill = 100 - v.Level
		v.Over = r.X > 1
	}
	if k.Target > 0 {
		v.HasTarget = true
		v.TargetAt, v.TargetHigh, v.TargetLow = at(k.Target), at(k.Target+k.TargetTolerance), at(k.Target-k.TargetTolerance)
		v.TargetSpan = v.TargetLow - v.TargetHigh
		v.Target = fmt.Sprintf("%.4g %%", 100*k.Target)
	}
	if d := k.DriftPerHour; d.Known {
		v.Drift, v.Arrow = drift(d.X)
	}
	if k.Age.Known {
		v.Age = ago(duration(k.Age))
	}
	up := phase == alarms.WarmUp || phase == alarms.Soak
	v.Blind = up && !v.Known
	switch {
	case !current(k).Known:
		v.Settle = k.Why
	case !up: // nothing settles without HT
	case k.NotConducting:
		v.Settle = "not conducting"
	case k.Settled:
		v.Settle = "settled"
		if k.SettledRatio.Known && v.Known && math.Abs(k.DissipationRatio.X-k.SettledRatio.X) >= 0.05 {
			v.Settle += " at " + strconv.FormatFloat(math.Round(100*k.SettledRatio.X), 'f', 0, 64) + " %"
		}
	case k.SettlesIn.Known:
		if at := k.SettlesAt; at.Known {
			v.SettlesAt = fmt.Sprintf("%.1f ± %.1f mA", 1000*at.X, 1000*2*at.U)
		}
		v.Settle = "settles in " + ago(duration(k.SettlesIn))
		if k.SettlesIn.X >= 3600 {
			v.Settle = "over 1 h to settle"
		}
	default:
		v.Settle = "not settled"
	}
	return v
}

// current is the cathode current or, where the sense gives none (transformer
// drop), the plate current.
func current(k *alarms.SocketState) socket.Value {
	if k.CathodeCurrent.Known {
		return k.CathodeCurrent
	}
	return k.PlateCurrent
}

// at is where a share of the limit stands in the glass, percent from its top.
func at(ratio float64) float64 {
	return 100 * (1 - min(max(ratio, 0), glassTop)/glassTop)
}

// drift words a slope, ratio per hour, and gives its arrow. Under 1 % per hour
// the arrow lies flat, from 10 % per hour up it is steep.
func drift(perHour float64) (words, arrow string) {
	words = fmt.Sprintf("%+.1f %%/h", 100*perHour)
	if math.Abs(perHour) >= 0.0995 {
		words = fmt.Sprintf("%+.0f %%/h", 100*perHour)
	}
	words = strings.Replace(strings.Replace(words, "-0.0", "0.0", 1), "-", "\u2212", 1)
	arrow = "up"
	if perHour < 0 {
		arrow = "down"
	}
	switch a := math.Abs(perHour); {
	case a < 0.01:
		arrow = "flat"
	case a >= 0.1:
		arrow = "steep-" + arrow
	}
	return words, arrow
}

// symbols are the drawn signs, by priority: told apart by shape, not only by colour.
var symbols = map[alarms.Priority]string{alarms.High: "sign-high", alarms.Medium: "sign-medium", alarms.Low: "sign-low"}

func lookAlarm(s *export.State, a alarms.AlarmState) alarmView {
	v := alarmView{
		ID: a.ID, Alarm: a.Alarm, Subject: a.Subject, Priority: string(a.Priority), Symbol: symbols[a.Priority],
		Since: s.Wall(a.Since).Local().Format("15:04:05"), Text: a.Text, Advice: a.Advice,
		State: string(a.State), Class: string(a.Priority) + " " + string(a.State),
		Cause: a.Cause, Consequence: a.Consequence, Within: string(a.Within),
		CanAcknowledge: a.State == alarms.Unacknowledged || a.State == alarms.Returned,
		Latched:        a.State == alarms.Latched,
		Shelved:        a.State == alarms.Shelved,
		Out:            a.State == alarms.OutOfService,
		Flood:          a.Alarm == alarms.FloodName,
	}
	switch a.State {
	case alarms.Unacknowledged:
		v.State = "not acknowledged"
	case alarms.Returned:
		v.State = "over, not acknowledged"
	case alarms.Latched:
		v.State = "over, latched"
	case alarms.Shelved:
		v.State = "shelved until " + s.Wall(a.Until).Local().Format("15:04")
	case alarms.Suppressed:
		v.State = "told with others"
	case alarms.OutOfService:
		v.State = "out of service"
	}
	return v
}

// warns are the flags that foretell trouble; what is trouble now is a state.
var warns = []struct {
	flag  drivers.Flags
	words string
}{{drivers.LowBattery, "battery low"}, {drivers.AutoPowerOff, "switches itself off"}}

// reasons says why frames were rejected.
func reasons(r *drivers.Rejects) string {
	var words []string
	for why, n := range r {
		if n > 0 {
			words = append(words, drivers.Reason(why).String())
		}
	}
	return strings.Join(words, ", ")
}

// fault is one that a drill can give to a copy of the run.
type fault struct{ Name, Words string }

// faults are those of the drill in words.
var faults = func() (all []fault) {
	words := map[string]string{"runaway": "runaway", "over-dissipation": "plate over its limit", "open": "open sense resistor", "dead": "dead tube",
		"silent": "silent meter", "plate-lead": "plate clip that came off"}
	for _, f := range drill.Faults {
		all = append(all, fault{f, cmp.Or(words[f], f)})
	}
	return all
}()

func lookMeter(m *alarms.MeterState) meterView {
	v := meterView{Name: m.Name, State: m.State, Reading: "unknown", Age: "never", Text: m.Text, Readings: m.Readings, Bad: m.State != "ok"}
	if export.Heard(m) {
		v.Reading = m.Reading.Text() + " " + m.Reading.Unit()
		v.Flags = m.Reading.Flags.String()
		for _, w := range warns {
			if m.Reading.Flags&w.flag != 0 {
				v.Warns = append(v.Warns, w.words)
			}
		}
	}
	if m.Age.Known {
		v.Age = ago(duration(m.Age))
	}
	return v
}

func lookEvent(s *export.State, e *alarms.Event) eventView {
	t := time.Duration(e.T)
	v := eventView{Clock: s.Wall(t).Local().Format("15:04:05"), At: chart.ClockSeconds(t), What: e.Event, Text: e.Text}
	switch e.Event {
	case alarms.EventPhase:
		v.Text = string(e.Phase)
	case alarms.EventSettled:
		v.Text = e.Socket
		if e.CathodeCurrent != nil {
			v.Text += " at " + unit(*e.CathodeCurrent, 1000, "mA")
		}
		if e.DissipationRatio != nil {
			v.Text += ", " + unit(*e.DissipationRatio, 100, "% of the limit")
		}
	case alarms.EventAlarm:
		v.Rank = e.Priority.Rank()
		v.What = e.ID
		v.Text = string(e.Priority) + ", " + string(e.State) + ": " + e.Text
	case alarms.EventSetting:
		v.What = "setting of " + e.Alarm
		if e.Weakened {
			v.Rank = e.Priority.Rank()
		}
	case alarms.EventAct:
		v.What = e.Act
		v.Text = export.ActWords(e)
	case alarms.EventPort:
		v.What = "port of " + e.Meter
		if e.Text == "" && e.Open != nil {
			v.Text = map[bool]string{true: "open", false: "lost"}[*e.Open]
		}
	}
	return v
}

// unit is a figure times scale with one decimal, or "unknown".
func unit(v socket.Value, scale float64, unit string) string {
	if !v.Known {
		return "unknown"
	}
	return strings.Replace(fmt.Sprintf("%.1f %s", math.Round(10*v.X*scale)/10+0, unit), "-", "\u2212", 1)
}

// places is volts as a person reads them: a decimal only where it matters.
func places(volts float64) string {
	if math.Abs(volts) < 99.95 {
		return fmt.Sprintf("%.1f", math.Round(10*volts)/10+0)
	}
	return fmt.Sprintf("%.0f", volts)
}

// duration is a known value in seconds.
func duration(v socket.Value) time.Duration { return time.Duration(v.X * float64(time.Second)) }

// ago is a duration in the two units that matter: "2 h 32 min", "12 min", "45 s".
func ago(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	}
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}

// mostJobs is how many earlier jobs are offered to begin with.
const mostJobs = 20

// rove names the probes that a job moves about, and where to.
func (v *view) rove(j *bench.Job, s *export.State) {
	if j == nil {
		return
	}
	for i := range j.Sockets {
		k := &j.Sockets[i]
		if m := k.Sense.Meter; k.Sense.Roving && m >= 0 && m < len(s.Snapshot.Meters) {
			v.Roved = append(v.Roved, k.Name)
			if name := s.Snapshot.Meters[m].Name; !slices.Contains(v.Probes, name) {
				v.Probes = append(v.Probes, name)
			}
		}
	}
}

// compose is the view with what its page needs beside the state.
func (p *panel) compose(ctx context.Context, name string, width, height int, want func(section string) bool) *view {
	s := p.src.State()
	var events []alarms.Event
	if name == "bench" {
		events = p.src.Events(0)
	}
	v := look(name, &s, events)
	if name == "idle" {
		var job *bench.Job
		if p.opt.Job != nil {
			job = p.opt.Job(s.RunID)
		}
		lookIdle(v, &s, job)
	}
	if name != "bench" && want("trace") && v.On {
		var b bytes.Buffer
		if t, ok := p.src.Trace(width, height); ok {
			drawing := *t
			if name == "wall" {
				drawing.Title, drawing.Marks, drawing.Key = "", nil, false // every pixel of the strip is for the lines
			}
			if drawing.SVG(&b) == nil {
				v.Trace = template.HTML(b.String()) // the chart escapes what came from people
			}
		}
	}
	if name == "bench" {
		p.pace.say(v, &s, time.Now())
		if p.opt.Job != nil {
			v.rove(p.opt.Job(s.RunID), &s)
		}
	}
	if name == "bench" && want("acts") && !v.Going {
		if runs, err := p.src.Runs(ctx); err == nil {
			for _, in := range runs[:min(len(runs), mostJobs)] {
				v.Jobs = append(v.Jobs, runRow{ID: in.ID, Ticket: in.Ticket, Started: in.Started.Local().Format("2006-01-02 15:04")})
			}
		}
	}
	if name == "bench" && want("runs") {
		runs, err := p.src.Runs(ctx)
		if err != nil {
			v.RunsErr = err.Error()
		}
		v.Runs = p.runRows(runs[:min(len(runs), shownRuns)])
	}
	return v
}

// wanted is the look that a browser asks for, with ?look= or by what it asked
// for before: "light", or empty for dark.
func wanted(w http.ResponseWriter, r *http.Request) string {
	look := r.FormValue("look")
	if look == "light" || look == "dark" {
		http.SetCookie(w, &http.Cookie{Name: "look", Value: look, MaxAge: 365 * 24 * 3600, SameSite: http.SameSiteStrictMode, HttpOnly: true})
	} else if c, err := r.Cookie("look"); err == nil {
		look = c.Value
	}
	if look == "light" {
		return look
	}
	return ""
}

// page serves a page with the figures of this moment in it.
func (p *panel) page(name string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		width, height := traceSize(r)
		v := p.compose(r.Context(), name, width, height, func(string) bool { return true })
		v.Look = wanted(w, r)
		if name == "bench" {
			l, last := lookAsked(r)
			v.Scope = p.scope(r.Context(), "", "", l, last)
		}
		p.part(w, name+".html", v)
	}
}
