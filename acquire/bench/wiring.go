package bench

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"nightsoak/acquire/tube"
)

const (
	sheetWidth = 80       // columns
	rowLabel   = 14       // columns before the text of a row
	noBreak    = "\u00a0" // between figure and unit, until the line is written
)

// cautions stand at the head of every sheet whose job they are for; a nil when
// is for every job.
var cautions = []struct {
	when func(*Socket) bool // any socket
	text string
}{
	{nil, "Hundreds of volts DC stand inside this amplifier, and its capacitors hold them long after it is switched off and unplugged. They kill."},
	{nil, "Connect and move probes only with HT off, the mains plug out and every capacitor proved dead: measure each filter node, do not wait and trust."},
	{nil, "nightsoak is not a safety device and replaces no fuse and no person. It never says that anything may be touched."},
	{nil, "Local codes, and licensed practice where it is asked for, come before this sheet."},
	{nil, "Many instruments earth their common through the data lead: use isolated links. Switch automatic power-off off on every meter."},
	{nil, "The dummy load is on the output before HT comes up, and stays on."},
	{(*Socket).onHT, "Meters and probes on HT: by IEC 61010-1 (probes 61010-031) for at least CAT II 600 V, better CAT III 1000 V, for HT up to 500 V; above that a divider probe rated for it. What counts is the highest HT there is before the tubes draw current."},
	{(*Socket).floats, "Some meters here stand at the full HT with BOTH leads. Their boxes are marked !!. Read those first."},
	{func(k *Socket) bool { return k.Sense.Ohms > 0 }, "If a sense resistor or its joint opens, its cathode can rise to tens or hundreds of volts: a clamp across each resistor, which then takes the tube's current, a fused lead, and a meter and leads that bear the full HT. The clamps named below are usual practice and no rule: what is fitted, and how it is rated, is for licensed practice to say."},
	{func(k *Socket) bool { return k.Tube.Filament }, "The filament is the cathode here: its heater supply floats on top of the sense resistor, and so does any meter across it. Nothing else hangs on that supply, and it has no way to chassis but through the resistor."},
	{func(k *Socket) bool { return k.Sense.Roving }, "One probe goes from socket to socket: HT off and everything proved dead before every move. Where the probe is not, nobody watches."},
}

// Wiring writes the wiring sheet: what to beware of; at each socket the links and
// the clamp to fit, which lead of which meter goes on which pin, across what, how
// the meter is set and what it should read; and which alarms can work with that.
// Without a job (j nil) it lists the meters. The text is UTF-8, at most 80 columns
// wide. The error is the writer's.
func Wiring(w io.Writer, b *Bench, j *Job) error {
	s := &sheet{bench: b, job: j, placed: map[int]string{}}
	s.line("WIRING SHEET")
	s.line("")
	s.row(0, "Bench", b.Name)
	if j != nil {
		s.head()
		for i := range j.Sockets {
			s.socket(&j.Sockets[i])
		}
		s.watches()
	}
	s.unused()
	if j != nil {
		s.alarms()
	}
	_, err := w.Write(s.out.Bytes())
	return err
}

// sheet is a wiring sheet being written.
type sheet struct {
	out    bytes.Buffer
	bench  *Bench
	job    *Job
	placed map[int]string // meters already on the sheet, and the subject where
}

// wrapped writes text after first, with later lines indented to the same column.
func (s *sheet) wrapped(first, text string) {
	column := utf8.RuneCountInString(first)
	line, used := first, column
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' }) {
		n := utf8.RuneCountInString(word)
		if used > column && used+1+n > sheetWidth {
			s.line(line)
			line, used = strings.Repeat(" ", column), column
		}
		if used > column {
			line, used = line+" ", used+1
		}
		for r := []rune(word); ; { // a word longer than the line is broken
			part := r[:min(len(r), sheetWidth-used)]
			line, used, r = line+string(part), used+len(part), r[len(part):]
			if len(r) == 0 {
				break
			}
			s.line(line)
			line, used = strings.Repeat(" ", column), column
		}
	}
	s.line(line)
}

func (s *sheet) line(text string) {
	s.out.WriteString(strings.TrimRight(strings.ReplaceAll(text, noBreak, " "), " ") + "\n")
}

// row is a label and its text.
func (s *sheet) row(indent int, label, text string) {
	s.wrapped(fmt.Sprintf("%*s%-*s", indent, "", max(rowLabel-indent, len(label)+1), label), text)
}

func (s *sheet) section(title string) {
	s.line("")
	s.wrapped("", title)
	s.line(strings.Repeat("-", sheetWidth))
}

func (s *sheet) head() {
	j := s.job
	s.row(0, "Ticket", j.Ticket)
	if j.Amplifier != "" {
		s.row(0, "Amplifier", j.Amplifier)
	}
	s.row(0, "Bias", j.Bias)
	if j.IdleTarget > 0 {
		s.row(0, "Idle target", share(j.IdleTarget)+" of the plate dissipation limit")
	}
	if j.HTFuse > 0 {
		fuse := figure(j.HTFuse) + noBreak + "A"
		if j.HTFuse < 1 {
			fuse = figure(j.HTFuse*1000) + noBreak + "mA"
		}
		s.row(0, "HT fuse", fuse+", as the job says: see that it is what is fitted")
	}
	if j.SoakFor > 0 {
		s.row(0, "Soak for", durationText(j.SoakFor.String()))
	}
	s.section("READ THIS BEFORE YOU TOUCH A PROBE")
	for _, c := range cautions {
		if c.when == nil || slices.ContainsFunc(j.Sockets, func(k Socket) bool { return c.when(&k) }) {
			s.wrapped("  ! ", c.text)
		}
	}
}

// durationText drops the zero tail of a Go duration: "10h0m0s" is "10h".
func durationText(d string) string {
	if t, ok := strings.CutSuffix(d, "m0s"); ok {
		d = t + "m"
	}
	if t, ok := strings.CutSuffix(d, "h0m"); ok {
		d = t + "h"
	}
	return d
}

func (s *sheet) socket(k *Socket) {
	title := k.Name + ": " + k.Tube.Name
	if k.Half != "" {
		title += ", half " + k.Half
	}
	s.section(title)
	limit := figure(k.Limit) + noBreak + "W plate dissipation, "
	first := s.first(func(o *Socket) bool { return o.Tube.Name == k.Tube.Name && o.Limit == k.Limit && o.Sheet == k.Sheet })
	switch {
	case first != k:
		limit += "as at " + first.Name
	case k.Limit == k.Tube.PlateDissipation && k.Tube.Mark != "":
		limit += fmt.Sprintf("from %s (%s, %s)", k.Sheet, k.Tube.System, k.Tube.Mark)
	case k.Tube.Mark != "":
		limit += fmt.Sprintf("from %s; the handbook says %s W", k.Sheet, figure(k.Tube.PlateDissipation))
	default:
		limit += "from " + k.Sheet
	}
	s.row(2, "limit", limit)
	if k.Tube.PlatePin == "" {
		s.row(2, "pins", "not in the handbook: take them from the maker's sheet")
	} else {
		s.row(2, "pins", pins(k.Tube))
	}
	if k.Tube.PinNote != "" && suppressor(k.Tube) == "" { // which has a box of its own
		s.row(2, "note", k.Tube.PinNote)
	}
	s.soldered(k)
	s.sense(k)
	s.plate(k)
	if k.ownCathode() && s.probe(k.CathodeMeter, k, "reads the cathode volts of "+k.Name) {
		s.row(6, "+ lead", cathode(k))
		s.row(6, "- lead", "chassis")
		s.setTo(k.CathodeMeter, "DC volts")
	}
	s.screen(k)
}

// soldered is what is fitted at a socket before any probe: links and clamp.
func (s *sheet) soldered(k *Socket) {
	q := &k.Sense
	task := func(format string, args ...any) { s.line(""); s.wrapped("  [ ] ", fmt.Sprintf(format, args...)) }
	if g3 := suppressor(k.Tube); g3 != "" {
		where := "at the socket"
		if q.Ohms > 0 {
			where = "both above the sense resistor, neither on chassis"
		}
		task("link pin %s (suppressor) to pin %s (cathode), %s", g3, k.Tube.CathodePin, where)
	}
	if q.Ohms == 0 {
		return
	}
	if k.Tube.Filament {
		task("heater supply of %s: it feeds nothing else, and its centre tap, hum balance or return goes to its resistor and nowhere else. "+
			"A lead goes to that point, never to a filament pin: heater volts would be in the reading", s.together(k.sameResistor))
	}
	if first := s.first(k.sameResistor); first != k {
		top := cathode(k)
		if s.atFoot(k) {
			top = "the cathode-bias resistor of " + k.Name
		}
		task("%s goes to the same %s resistor as that of %s", top, ohms(q.Ohms), first.Name)
		return
	}
	task("clamp across the sense resistor of %s, at its own ends: %s", s.together(k.sameResistor), s.clamp(k))
}

// clamp is what is usually fitted across a sense resistor: it must let through
// nothing at any reading, and more than sense-open waits for. A silicon diode
// lets through next to nothing under 0.4 V (common practice, no source).
func (s *sheet) clamp(k *Socket) string {
	open := 5 * s.most(k)
	switch diodes := max(2, math.Ceil(open/0.4)); {
	case open <= 1.6:
		return fmt.Sprintf("%s silicon power diodes in series, 3 A or more, bands towards chassis", []string{"two", "three", "four"}[int(diodes)-2])
	case s.selfBiased(k):
		return "a power zener, band away from chassis, of more volts than the meter shows with full signal and fewer than the bypass capacitor bears"
	}
	return fmt.Sprintf("a power zener, band away from chassis, of more than %s, where sense-open is raised", volts(open))
}

// most is the sense meter's highest figure in the table, in volt.
func (s *sheet) most(k *Socket) float64 {
	return s.current(k, s.job.Limits.Dissipation, plateVolts(k.Tube)[0]) * max(k.Sense.Ohms, k.Sense.TransformerOhms) * float64(k.Sense.SharedBy)
}

// selfBiased says that the sense resistor is the cathode-bias resistor itself:
// no tube here is biased by less than 5 V.
func (s *sheet) selfBiased(k *Socket) bool {
	return s.job.Bias == "cathode" && k.Sense.Ohms > 0 && s.most(k) > 5
}

// atFoot says that the sense resistor stands below a cathode-bias resistor.
func (s *sheet) atFoot(k *Socket) bool {
	return s.job.Bias == "cathode" && k.Sense.Ohms > 0 && !s.selfBiased(k)
}

// ownCathode says that the cathode volts have a meter of their own.
func (k *Socket) ownCathode() bool { return k.CathodeMeter >= 0 && k.CathodeMeter != k.Sense.Meter }

// onHT says that a meter of the socket is clipped to HT.
func (k *Socket) onHT() bool { return k.PlateMeter >= 0 || k.ScreenSupply >= 0 || k.floats() }

// floats says that a meter of the socket stands at HT with both leads.
func (k *Socket) floats() bool { return k.Sense.TransformerOhms > 0 || k.ScreenMeter >= 0 }

// sameResistor says that o hangs on the sense resistor of k.
func (k *Socket) sameResistor(o *Socket) bool {
	return o.Name == k.Name || k.Sense.SharedBy > 1 && o.Sense.Meter == k.Sense.Meter
}

// first is the first socket for which is holds.
func (s *sheet) first(is func(*Socket) bool) *Socket {
	return &s.job.Sockets[slices.IndexFunc(s.job.Sockets, func(k Socket) bool { return is(&k) })]
}

// suppressor is the pin of a separate suppressor grid, which the handbook tells
// in its note; empty without one.
func suppressor(t *tube.Type) string {
	rest, ok := strings.CutPrefix(t.PinNote, "g3 is pin ")
	n, _, tie := strings.Cut(rest, ":")
	if !ok || !tie {
		return ""
	}
	return n
}

// screen writes the meters of the screen.
func (s *sheet) screen(k *Socket) {
	if k.ScreenMeter < 0 {
		return
	}
	if s.probe(k.ScreenMeter, k, "reads the screen current of "+k.Name) {
		s.atHT("the screen resistor hangs on the screen supply: the few volts across it ride on hundreds")
		s.row(6, "across", "the "+ohms(k.ScreenOhms)+" resistor in the screen lead")
		s.row(6, "+ lead", "its end away from the tube")
		s.row(6, "- lead", pin(k.Tube.ScreenPin, "screen", k.Name))
		s.setTo(k.ScreenMeter, "DC volts")
		s.row(6, "reads", fmt.Sprintf("1 V for each %s of screen current", milliamps(1/k.ScreenOhms)))
	}
	same := func(o *Socket) bool { return o.ScreenSupply == k.ScreenSupply }
	if k.ScreenSupply >= 0 && s.probe(k.ScreenSupply, k, "reads the screen supply of "+s.together(same)) {
		s.row(6, "+ lead", "the screen supply, before the screen resistors")
		s.row(6, "- lead", "chassis")
		s.setTo(k.ScreenSupply, "DC volts")
		s.row(6, "rated", category)
	}
}

func pins(t *tube.Type) string {
	parts := []string{t.Base + ":"}
	if t.Base == "" {
		parts = nil
	}
	for _, p := range []struct{ name, pin string }{
		{"plate", t.PlatePin}, {"cathode", t.CathodePin}, {"screen", t.ScreenPin}, {"grid", t.GridPin},
	} {
		if p.name == "cathode" && t.Filament {
			p.name = "filament"
		}
		if p.pin != "" {
			parts = append(parts, p.name+" "+p.pin+",")
		}
	}
	if g3 := suppressor(t); g3 != "" {
		parts = append(parts, "suppressor "+g3)
	}
	return strings.TrimSuffix(strings.Join(parts, " "), ",")
}

// probe writes the head of a meter's block; it says false when the meter is on
// the sheet already, with a note where.
func (s *sheet) probe(meter int, k *Socket, does string) bool {
	m := &s.bench.Meters[meter]
	s.line("")
	if at, done := s.placed[meter]; done {
		s.wrapped("      ", fmt.Sprintf("%s %s: it is placed at %s", m.Name, does, at))
		return false
	}
	s.placed[meter] = k.Name
	s.wrapped("  [ ] ", m.Name+" "+does)
	s.port(m)
	return true
}

func (s *sheet) port(m *Meter) {
	port := m.Port + ", format " + m.Format.Name
	if !strings.HasPrefix(m.Port, "tcp:") && !strings.HasPrefix(m.Port, "usbtmc:") {
		port += ", line " + m.Line
	}
	for _, key := range []string{"channel", "address", "register"} {
		if v := m.Settings[key]; v != "" {
			port += ", " + key + " " + v
		}
	}
	s.row(6, "port", port)
	if m.Scale != 1 {
		s.row(6, "through", fmt.Sprintf("a divider of %s to 1; its readings are multiplied by that", figure(m.Scale)))
	}
}

// setTo is how the meter is set: by hand, or by its driver.
func (s *sheet) setTo(meter int, function string) {
	if f := s.bench.Meters[meter].Settings["function"]; f != "" {
		function += " (nightsoak sets it: " + f + ")"
	}
	s.row(6, "set to", function)
}

// atHT is the warning on a meter whose both leads stand at HT, and why.
func (s *sheet) atHT(why string) {
	s.line("      " + strings.Repeat("!", sheetWidth-12))
	s.wrapped("      !! ", "BOTH LEADS, THE METER AND ALL THAT IS WIRED TO IT STAND AT THE FULL HT.")
	s.wrapped("      !! ", "Why: "+why+".")
	s.wrapped("      !! ", "Battery powered, rated for that, its data link optical or otherwise isolated for the full HT, nothing earthed on it, on an insulator and out of reach. Nobody touches meter, leads or link while HT is up.")
	s.line("      " + strings.Repeat("!", sheetWidth-12))
}

// category points at what IEC 61010-1 asks of a probe on HT.
const category = "for HT, as the head of this sheet says"

func (s *sheet) sense(k *Socket) {
	q := &k.Sense
	byTransformer := q.TransformerOhms > 0
	does := "senses the current of " + s.together(k.sameResistor)
	if q.Roving {
		delete(s.placed, q.Meter)
		does += " while it is here"
	}
	if !s.probe(q.Meter, k, does) {
		return
	}
	switch {
	case byTransformer:
		s.atHT("the primary lies between the HT supply and the plate. The volt or two that you want ride on all of the HT, and with signal the plate end swings to about twice that")
		s.row(6, "across", "the half of the output transformer's primary that feeds "+s.together(k.sameResistor)+": "+tolerance(q.TransformerOhms, q.Tolerance)+
			", measured cold and dead, this half by itself")
		s.row(6, "+ lead", "the HT end of that winding (the centre tap in push-pull)")
		s.row(6, "- lead", pin(k.Tube.PlatePin, "plate", k.Name))
	case s.atFoot(k):
		s.row(6, "across", "the "+tolerance(q.Ohms, q.Tolerance)+" resistor between the foot of the cathode-bias resistor of "+s.together(k.sameResistor)+" and chassis")
		s.row(6, "+ lead", "where the two resistors meet")
		s.row(6, "- lead", "chassis, at the foot of the resistor")
	default:
		s.row(6, "across", "the "+tolerance(q.Ohms, q.Tolerance)+" resistor from cathode to chassis")
		s.row(6, "+ lead", cathode(k))
		s.row(6, "- lead", "chassis, at the foot of the resistor")
	}
	function := "DC volts"
	if s.most(k) < 1 {
		function = "DC millivolts"
	}
	s.setTo(q.Meter, function)
	s.reads(k)
	switch {
	case !q.Roving:
	case s.first(func(o *Socket) bool { return o.Sense.Meter == q.Meter }) == k:
		s.row(6, "roving", "the probe starts here")
	default:
		s.row(6, "roving", fmt.Sprintf("to move the probe here: HT off, capacitors proved dead, and then: nightsoak move %s %s",
			s.bench.Meters[q.Meter].Name, k.Name))
	}
}

// reads is what a sense meter should read, and what is in that reading; a
// socket that is like an earlier one points there.
func (s *sheet) reads(k *Socket) {
	type like struct {
		tube                                           string
		limit, ohms, primary, tolerance, warms, screen float64
		shared                                         int
		measured                                       bool
	}
	of := func(o *Socket) like {
		q := &o.Sense
		return like{o.Tube.Name, o.Limit, q.Ohms, q.TransformerOhms, q.Tolerance, q.WarmsBy, o.ScreenShare, q.SharedBy, o.ScreenMeter >= 0}
	}
	if first := s.first(func(o *Socket) bool { return of(o) == of(k) }); first != k {
		s.row(6, "reads", "the same as at "+first.Name)
		return
	}
	q := &k.Sense
	s.table(k, max(q.Ohms, q.TransformerOhms), float64(q.SharedBy))
	if q.TransformerOhms > 0 {
		// Copper gains 0.393 % for each kelvin from 20 °C (IEC 60028, from memory).
		warm := "warm copper has more ohms than cold, and makes the current read high: 0.4 % for each kelvin"
		if q.WarmsBy > 0 {
			warm += fmt.Sprintf(", so up to %.0f%s%% for the %s%sK that the job allows", q.WarmsBy*0.393, noBreak, figure(q.WarmsBy), noBreak)
		}
		s.row(6, "copper", warm)
	}
	switch {
	case q.TransformerOhms > 0:
		s.row(6, "screen", "its current does not pass here: this is plate current")
	case k.ScreenMeter >= 0:
		s.row(6, "screen", "its current, measured, comes on top of these figures")
	case k.ScreenShare > 0:
		s.row(6, "screen", share(k.ScreenShare)+" of the cathode current, as the job sets it, is in these figures")
	case k.Tube.ScreenPin != "" || k.Tube.ScreenShareHigh > 0:
		s.row(6, "screen", "its current is neither measured nor set, so it counts as plate current: the plate dissipates at most what is shown")
	}
	if h := k.Tube.ScreenShareHigh; h > 0 {
		s.row(6, "", fmt.Sprintf("(handbook, at idle: %s to %s of the cathode current; shown here, never applied)",
			share(k.Tube.ScreenShareLow), share(h)))
	}
}

// table is what the meter should read at three plate voltages: ratio × limit /
// volts is the plate current, ohms make it volts.
func (s *sheet) table(k *Socket, ohms, shared float64) {
	columns := []float64{s.job.Limits.Dissipation}
	titles := []string{"limit, " + share(s.job.Limits.Dissipation)}
	if t := s.job.IdleTarget; t > 0 {
		columns = []float64{t, columns[0]}
		titles = []string{"idle, " + share(t), titles[0]}
	}
	line := fmt.Sprintf("      %-8s%-18s", "reads", "plate to cathode")
	for _, t := range titles {
		line += fmt.Sprintf("%-24s", t)
	}
	s.line(line)
	for _, v := range plateVolts(k.Tube) {
		line := fmt.Sprintf("%14s%-18s", "", figure(v)+" V")
		for _, ratio := range columns {
			i := s.current(k, ratio, v)
			line += fmt.Sprintf("%-24s", fmt.Sprintf("%8s %9s", milliamps(i), volts(i*ohms*shared)))
		}
		s.line(line)
	}
	if shared > 1 {
		s.row(6, "", fmt.Sprintf("mA of one tube, volts of %d together; what one does alone is not seen", int(shared)))
	}
	if s.selfBiased(k) {
		s.row(6, "", "plate to chassis is higher by what this meter reads")
	}
	if s.atFoot(k) && !k.ownCathode() {
		s.row(6, "", "the cathode-bias resistor's volts count as plate volts: the safe side; a cathode meter takes them off")
	}
	if top := k.Tube.PlateVolts; top > 0 && plateVolts(k.Tube)[2] > top {
		s.row(6, "", fmt.Sprintf("the handbook allows the plate %s%sV at most", figure(top), noBreak))
	}
}

// current is what flows through the sense resistor per tube when the plate
// dissipates ratio of its limit, in ampere.
func (s *sheet) current(k *Socket, ratio, volts float64) float64 {
	i := ratio * k.Limit / volts
	if k.Sense.TransformerOhms == 0 {
		i /= 1 - k.ScreenShare
	}
	return i
}

// plateVolts are the three plate voltages to show for a type: the job does not
// know the amplifier's, so they are about what amplifiers give such tubes.
func plateVolts(t *tube.Type) [3]float64 {
	switch {
	case t.PlateVolts > 1000:
		return [3]float64{750, 1000, 1250}
	case t.PlateVolts > 0 && t.PlateVolts < 380:
		return [3]float64{250, 300, 350}
	case t.PlateVolts > 0 && t.PlateVolts <= 450:
		return [3]float64{350, 400, 450}
	case t.PlateVolts >= 600 && t.PlateDissipation >= 35:
		return [3]float64{450, 550, 650}
	}
	return [3]float64{400, 450, 500}
}

func (s *sheet) plate(k *Socket) {
	if k.PlateMeter < 0 {
		return
	}
	same := func(o *Socket) bool { return o.PlateMeter == k.PlateMeter }
	if !s.probe(k.PlateMeter, k, "reads the plate volts of "+s.together(same)) {
		return
	}
	at := "the HT feed of the output transformer (the primary's centre tap in push-pull)"
	for i := range s.job.Sockets {
		if o := &s.job.Sockets[i]; same(o) && o.Sense.TransformerOhms > 0 {
			at += ", not a plate: the drop across the primary is taken off"
			break
		}
	}
	s.row(6, "+ lead", at)
	s.row(6, "- lead", "chassis")
	s.setTo(k.PlateMeter, "DC volts")
	s.row(6, "reads", "HT to chassis: it tells which row of the table above holds")
	s.row(6, "rated", category)
}

// together names the sockets for which is holds.
func (s *sheet) together(is func(*Socket) bool) string {
	var names []string
	for i := range s.job.Sockets {
		if is(&s.job.Sockets[i]) {
			names = append(names, s.job.Sockets[i].Name)
		}
	}
	return strings.Join(names, ", ")
}

func cathode(k *Socket) string {
	if k.Tube.Filament {
		return "the centre tap (or return) of the filament of " + k.Name
	}
	return pin(k.Tube.CathodePin, "cathode", k.Name)
}

// pin names an electrode at its socket.
func pin(number, electrode, socket string) string {
	switch {
	case number == "":
		return "the " + electrode + " of " + socket
	case number == "cap":
		return fmt.Sprintf("the top cap of %s (%s)", socket, electrode)
	case strings.ContainsAny(number, ", "):
		return fmt.Sprintf("pins %s of %s (%s)", number, socket, electrode)
	}
	return fmt.Sprintf("pin %s of %s (%s)", number, socket, electrode)
}

func (s *sheet) watches() {
	if len(s.job.Watches) == 0 {
		return
	}
	s.section("WATCHES")
	for i := range s.job.Watches {
		x := &s.job.Watches[i]
		if s.probe(x.Meter, &Socket{Name: x.Name}, "watches "+x.Name) {
			s.row(6, "set to", "what shows "+x.Unit+"; AC or DC as the thing is: heaters and mains are mostly AC")
		}
		s.row(6, "limits", x.limits())
	}
}

func (x *Watch) limits() string {
	unit := " " + x.Quantity.SIUnit()
	switch low, high := !math.IsInf(x.Low, 0), !math.IsInf(x.High, 0); {
	case low && high:
		return figure(x.Low) + " to " + figure(x.High) + unit
	case low:
		return "not under " + figure(x.Low) + unit
	case high:
		return "not over " + figure(x.High) + unit
	}
	return "none: kept, never judged"
}

// unused lists the meters that the job does not use.
func (s *sheet) unused() {
	title := "METERS THAT THIS JOB DOES NOT USE"
	if s.job == nil {
		title = "METERS"
	}
	for i := range s.bench.Meters {
		if _, used := s.placed[i]; used {
			continue
		}
		if title != "" {
			s.section(title)
			title = ""
		}
		s.line("  " + s.bench.Meters[i].Name)
		s.port(&s.bench.Meters[i])
	}
}

// alarms says which alarms can work as the job stands, and what cannot and why.
func (s *sheet) alarms() {
	off, cannot := s.blind()
	s.outlets(func(format string, args ...any) { cannot = append(cannot, fmt.Sprintf(format, args...)) })
	s.section("ALARMS")
	s.row(2, "can work", strings.Join(slices.DeleteFunc(slices.Clone(alarmNames), func(a string) bool { return slices.Contains(off, a) }), ", "))
	s.line("")
	s.line("  what cannot, and why")
	for _, c := range cannot {
		s.wrapped("    - ", c)
	}
}

// CannotWork is what the wiring sheet says of alarms that cannot work, or not
// fully, as bench and job stand; without what it says of cut-off, channels and a
// first power-up.
func CannotWork(b *Bench, j *Job) []string {
	_, cannot := (&sheet{bench: b, job: j}).blind()
	return cannot
}

// blind is the alarms that are off, and what cannot work and why.
func (s *sheet) blind() (off, cannot []string) {
	j := s.job
	off = slices.Clone(hostAlarms)
	say := func(format string, args ...any) { cannot = append(cannot, fmt.Sprintf(format, args...)) }

	noPlate := s.together(func(k *Socket) bool { return k.PlateMeter < 0 })
	anyPlate := slices.ContainsFunc(j.Sockets, func(k Socket) bool { return k.PlateMeter >= 0 })
	if noPlate != "" {
		say("%s: no plate meter: dissipation is not known, so over-dissipation and idle-off-target cannot work and runaway stays at low priority", noPlate)
	}
	if !anyPlate {
		off = append(off, "over-dissipation", "plate-lead", "supply", "idle-off-target")
		say("no plate meter at all: supply and plate-lead cannot work, HT is told by conduction only, and drift and step cannot take supply movement out")
	}
	if names := s.together(func(k *Socket) bool { return k.Sense.TransformerOhms > 0 }); names != "" {
		say("%s: sensed by transformer drop: sense-open cannot work", names)
	}
	if names := s.together(s.selfBiased); names != "" {
		say("%s: an open cathode-bias resistor turns its tube off long before sense-open's volts: it shows as over-dissipation or a step instead", names)
	}
	if !slices.ContainsFunc(j.Sockets, func(k Socket) bool { return k.Sense.Ohms > 0 && !s.selfBiased(&k) }) {
		off = append(off, "sense-open")
	}
	if j.IdleTarget == 0 {
		off = append(off, "idle-off-target")
		say("no idle_target: idle-off-target is off")
	}
	halves := map[string][]int{} // sense meters
	roving := false
	for _, k := range j.Sockets {
		halves[k.Half] = append(halves[k.Half], k.Sense.Meter)
		roving = roving || k.Half != "" && k.Sense.Roving
	}
	slices.Sort(halves["a"])
	slices.Sort(halves["b"])
	if halves["a"] == nil || halves["b"] == nil {
		off = append(off, "imbalance")
		say("no sockets with half a and with half b: imbalance is off")
	} else if roving || slices.Equal(halves["a"], halves["b"]) {
		off = append(off, "imbalance")
		say("imbalance cannot work: the halves are not sensed apart")
	}
	if names := s.together(func(k *Socket) bool { return k.Sense.Roving }); names != "" {
		say("%s: one probe moved about: a socket is judged only while the probe is at it", names)
	}
	if names := s.together(func(k *Socket) bool { return k.Sense.SharedBy > 1 }); names != "" {
		say("%s: one resistor for several tubes: only their mean is seen; one tube's rise or death is diluted", names)
	}
	judged := false
	for i := range j.Watches {
		if x := &j.Watches[i]; math.IsInf(x.Low, 0) && math.IsInf(x.High, 0) {
			say("watch %s has neither low nor high: it is kept, never judged", x.Name)
		} else {
			judged = true
		}
	}
	if !judged {
		off = append(off, "watch")
	}
	for _, name := range slices.Sorted(maps.Keys(j.Alarms)) {
		if why := j.Alarms[name].OutOfService; why != "" {
			off = append(off, name)
			say("%s is out of service: %s", name, why)
		}
	}
	return off, cannot
}

// outlets says what cannot work of a first power-up, cut-off and channels.
func (s *sheet) outlets(say func(format string, args ...any)) {
	switch f := s.job.FirstPower; {
	case f.PlateVolts == 0:
		say("no plate_volts in [first_power]: a first power-up is judged by the sockets alone")
	case f.Mains.Volts == 0:
		say("no mains in [first_power]: HT that does not rise is not noticed at a first power-up")
	}
	s.cutoffLines(say)
	if len(s.bench.Notify) == 0 {
		say("no [[notify]]: alarms show on the panel and in the log only")
	}

	for _, n := range s.bench.Notify {
		if u, err := url.Parse(n.URL); err == nil && u.User != nil && n.Secret == "" {
			if _, password := u.User.Password(); password {
				say("[[notify]] %s has its password in the bench file, which is kept with every record: put it into a file, with secret or url_file", n.Name)
			}
		}
	}
}

// figure is a number without needless zeros.
func figure(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }

func share(ratio float64) string { return figure(math.Round(ratio*1e5)/1e3) + noBreak + "%" }

func milliamps(a float64) string { return strconv.FormatFloat(1000*a, 'f', 1, 64) + " mA" }

func volts(v float64) string {
	if v < 1 {
		return strconv.FormatFloat(1000*v, 'f', 1, 64) + " mV"
	}
	return strconv.FormatFloat(v, 'f', 2, 64) + " V"
}

func ohms(r float64) string { return figure(r) + noBreak + "Ω" }

func tolerance(r, t float64) string {
	if t > 0 {
		return ohms(r) + " ±" + share(t)
	}
	return ohms(r)
}
