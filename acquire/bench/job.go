package bench

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"nightsoak/acquire/tube"
	"nightsoak/drivers"
)

// LoadJob reads a job file and validates it against the bench it will run on.
// A file that is not valid gives Problems; one that cannot be read gives the
// system's error.
func LoadJob(path string, b *Bench) (*Job, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("job file: %w", err)
	}
	return ParseJob(path, text, b)
}

// ParseJob is LoadJob for a file already read; name is what errors show for it.
func ParseJob(name string, content []byte, b *Bench) (*Job, error) {
	f, top, err := open(name, content)
	if err != nil {
		return nil, err
	}
	j := &Job{
		Text:       slices.Clone(content),
		Ticket:     need(top, "ticket", printable),
		Amplifier:  get(top, "amplifier", "", printable),
		Serial:     get(top, "serial", "", printable),
		Technician: get(top, "technician", "", printable),
		Parts:      get(top, "parts_replaced", nil, printables(40)),
		Notes:      get(top, "notes", "", prose),
		Bias:       get(top, "bias", "fixed", oneOf("fixed", "cathode")),
		IdleTarget: get(top, "idle_target", 0, percent(2)),
		SoakFor:    get(top, "soak_for", 0, duration),
		CutAtEnd:   get(top, "cut_at_end", false, truth),
		HTFuse:     get(top, "ht_fuse", 0, amount(drivers.Current, 10, "500mA")),
		Cutoff:     jobCutoff(top, b),
	}
	sockets := top.list("socket")
	for i, t := range sockets {
		j.Sockets = append(j.Sockets, socket(t, b))
		unique(t, sockets[:i])
	}
	if !top.has("socket") {
		top.fail("socket", "is missing: a job has at least one [[socket]]")
	}
	watches := top.list("watch")
	for i, t := range watches {
		j.Watches = append(j.Watches, watch(t, b))
		unique(t, watches[:i])
	}
	j.crossCheck(sockets, watches, b)
	l, _ := top.sub("limits")
	j.Limits = limits(l, DefaultLimits())
	j.FirstPower = j.firstPower(top)
	j.Alarms = alarmTables(top, b.Alarms)
	if w, given := top.sub("workshop"); given {
		j.Workshop = Workshop{Name: need(w, "name", printable), Address: get(w, "address", nil, printables(6))}
		w.done()
	}
	top.done()
	if j.IdleTarget > j.Limits.Dissipation {
		top.fail("idle_target", "is above limits.dissipation (%g %%): over-dissipation would stand at idle", j.Limits.Dissipation*100)
	}
	if j.CutAtEnd && j.SoakFor == 0 && !top.has("soak_for") {
		top.fail("cut_at_end", "needs soak_for, which says when the end is")
	}
	if j.CutAtEnd && b.Cutoff == nil {
		top.fail("cut_at_end", "needs a [cutoff] in the bench file")
	}
	if err := f.problems.sorted(); err != nil {
		return nil, err
	}
	return j, nil
}

// unique says when a table has the name of an earlier one.
func unique(t *table, earlier []*table) {
	for _, o := range earlier {
		if name, ok := t.values["name"].(string); ok && o.values["name"] == name {
			t.fail("name", "already the name of the %s at %s; names are unique", t.header, o.place("name"))
			return
		}
	}
}

func socket(t *table, b *Bench) Socket {
	s := Socket{
		Name:         need(t, "name", subject),
		Half:         get(t, "half", "", oneOf("a", "b")),
		PlateMeter:   -1,
		CathodeMeter: -1,
		ScreenMeter:  -1,
		ScreenSupply: -1,
		ScreenShare:  get(t, "screen_share", 0, percent(0.5)),
		DateCode:     get(t, "date_code", "", printable),
	}
	ratings(t, &s)
	sense, given := t.sub("sense")
	if !given && !t.has("sense") {
		t.fail("sense", `is missing from [[socket]]: write sense = { meter = "...", ohms = 1.0 }`)
	}
	s.Sense = Sense{Meter: -1, SharedBy: 1}
	if given {
		s.Sense = readSense(sense, b)
	}
	if p, given := t.sub("plate"); given {
		s.PlateMeter = meterKey(p, b)
		p.done()
	}
	if c, given := t.sub("cathode"); given {
		s.CathodeMeter = meterKey(c, b)
		c.done()
	}
	if g2, given := t.sub("screen"); given {
		s.ScreenMeter = meterKey(g2, b)
		s.ScreenOhms = need(g2, "ohms", within(0, 1e5, " ohm"))
		s.ScreenSupply = meterNamed(g2, "supply", get(g2, "supply", "", text), b)
		g2.done()
		if t.has("screen_share") {
			t.fail("screen_share", "stands beside screen, which measures it; give one of the two")
		}
	}
	t.done()
	return s
}

// ratings fills the tube and its limit.
func ratings(t *table, s *Socket) {
	name := need(t, "tube", printable)
	watts := get(t, "max_plate_watts", 0, within(0, 5000, " W"))
	sheet := get(t, "sheet", "", printable)
	if t.has("sheet") && !t.has("max_plate_watts") {
		t.fail("sheet", "says where max_plate_watts is from, which is not given")
	}
	if sheet == "" {
		sheet = "the job file"
	}
	s.Limit, s.Sheet = watts, sheet
	found, err := tube.Find(name)
	switch {
	case err == nil:
		s.Tube = found
		if watts == 0 {
			s.Limit, s.Sheet = found.PlateDissipation, found.Source
		}
	case t.has("max_plate_watts"):
		s.Tube = &tube.Type{Name: name, Rating: tube.Rating{PlateDissipation: watts, Source: sheet}}
	case name != "":
		t.fail("tube", "%w; for a type of your own sheet give max_plate_watts and sheet", err)
	}
}

func readSense(t *table, b *Bench) Sense {
	s := Sense{
		Meter:           meterKey(t, b),
		Ohms:            get(t, "ohms", 0, within(0, 1e4, " ohm")),
		Tolerance:       get(t, "tolerance", 0, percent(0.5)),
		SharedBy:        get(t, "shared_by", 1, wholeFrom(2, 16)),
		TransformerOhms: get(t, "transformer_ohms", 0, within(0, 1e4, " ohm")),
		WarmsBy:         get(t, "warms_by", 0, kelvin),
		Isolated:        get(t, "isolated", false, truth),
		Roving:          get(t, "roving", false, truth),
	}
	switch ohms, transformer := t.has("ohms"), t.has("transformer_ohms"); {
	case ohms && transformer:
		t.fail("transformer_ohms", "stands beside ohms; the meter is across the one or the other")
	case !ohms && !transformer:
		t.fail("ohms", "is missing: give ohms of the cathode resistor, or transformer_ohms of half the primary")
	case transformer && !s.Isolated:
		t.fail("transformer_ohms", "needs isolated = true: this meter sits at the full HT, hundreds of volts, with all that is wired to it; "+
			"say so only of a meter and link rated for it, with nothing earthed on them")
	case transformer && s.Roving:
		t.fail("roving", "a probe at HT is not moved about while HT is up; sense at the cathode instead")
	case ohms && s.Isolated:
		t.fail("isolated", "belongs to transformer_ohms; a meter at the cathode resistor does not sit at HT")
	}
	if t.has("warms_by") && !t.has("transformer_ohms") {
		t.fail("warms_by", "belongs to transformer_ohms: it is the copper of the primary that warms")
	}
	if s.Roving && t.has("shared_by") {
		t.fail("roving", "stands beside shared_by; a shared resistor takes a meter of its own")
	}
	t.done()
	return s
}

// meterKey is the index of the meter that t names, -1 when the bench has none such.
func meterKey(t *table, b *Bench) int { return meterNamed(t, "meter", need(t, "meter", text), b) }

// meterNamed is meterKey for the name that stands, or does not, under key.
func meterNamed(t *table, key, name string, b *Bench) int {
	i := b.MeterIndex(name)
	if i < 0 && name != "" {
		names := make([]string, len(b.Meters))
		for k, m := range b.Meters {
			names[k] = m.Name
		}
		t.fail(key, "no such meter on this bench; %s", known(name, names))
	}
	return i
}

// use is what one meter does for one socket.
type use struct {
	role   string // sense, plate, cathode, screen or screen supply
	socket *Socket
}

// crossCheck finds a meter that is asked for two things at once. Meters of plate
// and screen supplies, and at a common cathode, may serve several sockets; a sense meter only
// in the ways that the job names; the meter across a cathode resistor reads the
// cathode volts as well. A watch may look at any meter, for the same quantity.
func (j *Job) crossCheck(sockets, watches []*table, b *Bench) {
	uses := map[int][]use{}
	for i := range j.Sockets {
		s := &j.Sockets[i]
		cathode := s.CathodeMeter
		if cathode == s.Sense.Meter && s.Sense.TransformerOhms == 0 {
			cathode = -1
		}
		for _, r := range []struct {
			role, table, key string
			meter            int
		}{
			{"sense", "sense", "meter", s.Sense.Meter}, {"plate", "plate", "meter", s.PlateMeter}, {"cathode", "cathode", "meter", cathode},
			{"screen", "screen", "meter", s.ScreenMeter}, {"screen supply", "screen", "supply", s.ScreenSupply},
		} {
			if r.meter < 0 {
				continue
			}
			u := use{r.role, s}
			for _, o := range uses[r.meter] {
				if why := u.clash(o); why != "" {
					t, _ := sockets[i].sub(r.table)
					t.fail(r.key, "already the %s meter of %s; %s", o.role, o.socket.Name, why)
					break
				}
			}
			uses[r.meter] = append(uses[r.meter], u)
		}
	}
	for i := range j.Sockets {
		s := &j.Sockets[i]
		of := uses[s.Sense.Meter]
		if s.Sense.SharedBy < 2 || s.Sense.Meter < 0 || of[0].socket != s {
			continue
		}
		var names []string
		for _, u := range of {
			if u.role == "sense" {
				names = append(names, u.socket.Name)
			}
		}
		if len(names) != s.Sense.SharedBy {
			t, _ := sockets[i].sub("sense")
			t.fail("shared_by", "but the sockets that name %s number %d: %s", b.Meters[s.Sense.Meter].Name, len(names), strings.Join(names, ", "))
		}
	}
	for i, w := range j.Watches {
		wanted := drivers.NoQuantity
		if len(uses[w.Meter]) > 0 {
			wanted = drivers.Voltage
		}
		for _, o := range j.Watches[:i] {
			if o.Meter == w.Meter {
				wanted = o.Quantity
			}
		}
		if wanted != drivers.NoQuantity && w.Quantity != drivers.NoQuantity && w.Meter >= 0 && w.Quantity != wanted {
			watches[i].fail("unit", "but %s reads in %s for this job already", b.Meters[w.Meter].Name, wanted.SIUnit())
		}
	}
}

// clash says why one meter cannot serve both u and o, or nothing.
func (u use) clash(o use) string {
	a, b := u.socket.Sense, o.socket.Sense
	switch {
	case u.role != o.role || u.role == "screen":
		return "one meter reads one thing"
	case u.role != "sense", a.Roving && b.Roving:
		return ""
	case a.SharedBy > 1 && a.SharedBy == b.SharedBy && a.Ohms == b.Ohms && a.TransformerOhms == b.TransformerOhms:
		return ""
	}
	return "a meter senses several sockets only with the same shared_by and ohms on each, or roving = true on each"
}

func watch(t *table, b *Bench) Watch {
	w := Watch{
		Name:  need(t, "name", subject),
		Meter: meterKey(t, b),
		Unit:  need(t, "unit", text),
	}
	var prefix int8
	if w.Unit != "" {
		var err error
		if w.Quantity, prefix, err = drivers.ParseUnit(w.Unit); err != nil {
			t.fail("unit", "%w", err)
		}
	}
	scaled := func(key string, def float64) float64 {
		x := get(t, key, def, number)
		if math.IsInf(x, 0) {
			return x
		}
		return shift(strconv.FormatFloat(x, 'f', -1, 64), prefix)
	}
	w.Low, w.High = scaled("low", math.Inf(-1)), scaled("high", math.Inf(1))
	if !(w.Low < w.High) {
		t.fail("low", "must be below high")
	}
	t.done()
	return w
}

// LoadLimits puts the limits of a file in the place of the job's: what would
// have been under others. The file has a [limits] table as in a job file, and
// nothing else; what it leaves out stays, and so does j.Text. A file that is not
// valid gives Problems and one that cannot be read the system's error; the job
// is then as it was.
func (j *Job) LoadLimits(path string) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("limits file: %w", err)
	}
	f, top, err := open(path, text)
	if err != nil {
		return err
	}
	t, given := top.sub("limits")
	if !given && !top.has("limits") {
		top.fail("limits", "is missing: write [limits] above the keys that are to change")
	}
	l := limits(t, j.Limits)
	top.done()
	if j.IdleTarget > l.Dissipation {
		t.fail("dissipation", "is under the job's idle_target (%g %%): over-dissipation would stand at idle", j.IdleTarget*100)
	}
	if err := f.problems.sorted(); err != nil {
		return err
	}
	j.Limits = l
	return nil
}

// limits reads a [limits] table; d has what it leaves out.
func limits(t *table, d Limits) Limits {
	settle := get(t, "settle_rate", rate{d.SettleRate, d.SettlePer}, ratePer)
	l := Limits{
		Dissipation:    get(t, "dissipation", d.Dissipation, percent(2)),
		DissipationFor: get(t, "dissipation_for", d.DissipationFor, duration),
		SettleRate:     settle.ratio,
		SettlePer:      settle.per,
		SettleBy:       get(t, "settle_by", d.SettleBy, duration),
		Drift:          get(t, "drift", d.Drift, percent(1)),
		Step:           get(t, "step", d.Step, percent(1)),
		RunawayWithin:  get(t, "runaway_within", d.RunawayWithin, duration),
		Imbalance:      get(t, "imbalance", d.Imbalance, percent(2)),
		Supply:         get(t, "supply", d.Supply, percent(1)),
		Conduction:     get(t, "conduction", d.Conduction, amount(drivers.Current, 1, "2mA")),
		IdleTolerance:  get(t, "idle_tolerance", d.IdleTolerance, percent(1)),
		HTUp:           get(t, "ht_up", d.HTUp, amount(drivers.Voltage, 2000, "60V")),
	}
	t.done()
	return l
}
