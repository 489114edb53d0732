package bench

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Mark ends the part of a file that a draft has fields for. What stands below
// it is a person's, and a draft keeps it as it is.
const Mark = "# By hand from here on: the set-up page leaves what stands below as it is."

// BenchDraft is a bench file as the set-up page has fields for it. A field is
// what was typed, which need not be valid: Parse says what is wrong with Text.
// An empty field is left out of the file.
type BenchDraft struct {
	Name, DataDir string
	Meters        []MeterDraft
	Rest          string // below the Mark
}

// MeterDraft is one [[meter]] of a BenchDraft.
type MeterDraft struct {
	Name, Port, Format, Line, Accuracy, Scale, SilentAfter string

	Keys string // the format's own keys, a line each: "function = VOLT:DC"
}

// JobDraft is a job file as the set-up page has fields for it, as BenchDraft.
type JobDraft struct {
	Ticket, Amplifier, Serial, Technician, Bias, IdleTarget, SoakFor, HTFuse string

	Sockets []SocketDraft
	Watches []WatchDraft
	Rest    string // below the Mark
}

// SocketDraft is one [[socket]] of a JobDraft, sensed over a resistor.
type SocketDraft struct {
	Name, Tube, DateCode, Half string

	Meter, Ohms, Tolerance string // of the sense resistor
	SharedBy               string // sockets on one resistor
	Roving                 bool   // one probe for several sockets
	Plate                  string // meter of the plate supply
}

// WatchDraft is one [[watch]] of a JobDraft.
type WatchDraft struct{ Name, Meter, Unit, Low, High string }

// pair is a key with its value in TOML; one with an empty value is left out.
type pair struct{ key, value string }

// quoted is a text in TOML, whose basic strings have JSON's escapes; empty for an empty one.
func quoted(s string) string {
	if s = strings.TrimSpace(s); s == "" {
		return ""
	}
	b, _ := json.Marshal(s)
	return strings.NewReplacer(`\u003c`, "<", `\u003e`, ">", `\u0026`, "&").Replace(string(b))
}

// bare is a number in TOML, or what was typed in its place, for Parse to say so.
func bare(s string) string {
	s = strings.Replace(strings.TrimSpace(s), ",", ".", 1)
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return quoted(s)
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// withUnit is a number that the files write with its unit, in quotes.
func withUnit(s, unit string) string {
	s = strings.TrimSpace(s)
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		s += unit
	}
	return quoted(s)
}

// writeTable writes a table as a person would, its keys in line.
func writeTable(b *strings.Builder, head string, pairs ...pair) {
	if head != "" {
		fmt.Fprintf(b, "\n%s\n", head)
	}
	width := 0
	for _, p := range pairs {
		if p.value != "" {
			width = max(width, len(p.key))
		}
	}
	for _, p := range pairs {
		if p.value != "" {
			fmt.Fprintf(b, "%-*s = %s\n", width, p.key, p.value)
		}
	}
}

// inline is an inline table; empty when nothing is in it.
func inline(pairs ...pair) string {
	var in []string
	for _, p := range pairs {
		if p.value != "" {
			in = append(in, p.key+" = "+p.value)
		}
	}
	if in == nil {
		return ""
	}
	return "{ " + strings.Join(in, ", ") + " }"
}

// rest ends a file.
func rest(b *strings.Builder, below string) string {
	fmt.Fprintf(b, "\n%s\n", Mark)
	if below = strings.Trim(below, "\n"); below != "" {
		fmt.Fprintf(b, "\n%s\n", below)
	}
	return b.String()
}

// pairs are the keys of a MeterDraft in the order in which a file has them.
func (m *MeterDraft) pairs() []pair {
	all := []pair{{"name", quoted(m.Name)}, {"port", quoted(m.Port)}, {"format", quoted(m.Format)}, {"line", quoted(m.Line)},
		{"accuracy", quoted(m.Accuracy)}, {"scale", bare(m.Scale)}, {"silent_after", quoted(m.SilentAfter)}}
	own := map[string]string{}
	for _, l := range strings.Split(m.Keys, "\n") {
		key, value, ok := strings.Cut(l, "=")
		if key, value = strings.TrimSpace(key), strings.Trim(strings.TrimSpace(value), `"'`); key == "" {
			continue
		}
		if !ok || slices.ContainsFunc(all, func(p pair) bool { return p.key == key }) {
			key, value = "what_is_this", strings.TrimSpace(l) // no key of any format, so Parse points at it
		}
		own[key] = value
	}
	for _, key := range slices.Sorted(maps.Keys(own)) {
		value := quoted(own[key])
		if n, err := strconv.ParseInt(own[key], 10, 64); err == nil && strconv.FormatInt(n, 10) == own[key] {
			value = own[key]
		}
		all = append(all, pair{key, value})
	}
	return all
}

// Text is the [[meter]] in TOML.
func (m *MeterDraft) Text() string {
	var b strings.Builder
	writeTable(&b, "[[meter]]", m.pairs()...)
	return strings.TrimPrefix(b.String(), "\n")
}

// Text is the bench file.
func (d *BenchDraft) Text() string {
	var b strings.Builder
	writeTable(&b, "", pair{"name", quoted(d.Name)}, pair{"data_dir", quoted(d.DataDir)})
	for i := range d.Meters {
		writeTable(&b, "[[meter]]", d.Meters[i].pairs()...)
	}
	return rest(&b, d.Rest)
}

// Text is the job file.
func (d *JobDraft) Text() string {
	var b strings.Builder
	writeTable(&b, "", pair{"ticket", quoted(d.Ticket)}, pair{"amplifier", quoted(d.Amplifier)}, pair{"serial", quoted(d.Serial)}, pair{"technician", quoted(d.Technician)},
		pair{"bias", quoted(d.Bias)}, pair{"idle_target", withUnit(d.IdleTarget, "%")}, pair{"soak_for", withUnit(d.SoakFor, "h")}, pair{"ht_fuse", withUnit(d.HTFuse, "A")})
	for _, s := range d.Sockets {
		sense := []pair{{"meter", quoted(s.Meter)}, {"ohms", bare(s.Ohms)}, {"tolerance", withUnit(s.Tolerance, "%")}, {"shared_by", bare(s.SharedBy)}}
		if s.Roving {
			sense = append(sense, pair{"roving", "true"})
		}
		writeTable(&b, "[[socket]]", pair{"name", quoted(s.Name)}, pair{"tube", quoted(s.Tube)}, pair{"date_code", quoted(s.DateCode)}, pair{"half", quoted(s.Half)},
			pair{"sense", inline(sense...)}, pair{"plate", inline(pair{"meter", quoted(s.Plate)})})
	}
	for _, w := range d.Watches {
		writeTable(&b, "[[watch]]", pair{"name", quoted(w.Name)}, pair{"meter", quoted(w.Meter)}, pair{"unit", quoted(w.Unit)}, pair{"low", bare(w.Low)}, pair{"high", bare(w.High)})
	}
	return rest(&b, d.Rest)
}

// DraftBench finds the draft that a bench file is the Text of; false for a file
// that says more above the Mark than the draft has fields for, or says it otherwise.
func DraftBench(text string) (BenchDraft, bool) {
	f, below, ok := readDraft(text)
	d := BenchDraft{Name: f.text("name"), DataDir: f.text("data_dir"), Rest: below}
	for _, m := range f.list("meter") {
		k := MeterDraft{Name: m.text("name"), Port: m.text("port"), Format: m.text("format"), Line: m.text("line"), Accuracy: m.text("accuracy"),
			Scale: m.text("scale"), SilentAfter: m.text("silent_after")}
		for _, key := range slices.Sorted(maps.Keys(m)) {
			k.Keys += fmt.Sprintf("%s = %s\n", key, m.text(key))
		}
		d.Meters = append(d.Meters, k)
	}
	return d, ok && d.Text() == text
}

// DraftJob is DraftBench for a job file.
func DraftJob(text string) (JobDraft, bool) {
	f, below, ok := readDraft(text)
	d := JobDraft{Ticket: f.text("ticket"), Amplifier: f.text("amplifier"), Serial: f.text("serial"), Technician: f.text("technician"), Bias: f.text("bias"),
		IdleTarget: f.text("idle_target"), SoakFor: f.text("soak_for"), HTFuse: f.text("ht_fuse"), Rest: below}
	for _, s := range f.list("socket") {
		k := SocketDraft{Name: s.text("name"), Tube: s.text("tube"), DateCode: s.text("date_code"), Half: s.text("half")}
		sense, plate := s.table("sense"), s.table("plate")
		k.Meter, k.Ohms, k.Tolerance, k.SharedBy = sense.text("meter"), sense.text("ohms"), sense.text("tolerance"), sense.text("shared_by")
		k.Roving, k.Plate = sense["roving"] == true, plate.text("meter")
		d.Sockets = append(d.Sockets, k)
	}
	for _, w := range f.list("watch") {
		d.Watches = append(d.Watches, WatchDraft{w.text("name"), w.text("meter"), w.text("unit"), w.text("low"), w.text("high")})
	}
	return d, ok && d.Text() == text
}

// CutoffPort is the port of the cut-off in a bench file, whatever else is wrong
// with it; empty when it has none. An error means that it is no TOML.
func CutoffPort(text string) (string, error) {
	var f fields
	err := toml.Unmarshal([]byte(text), &f)
	cutoff := f.table("cutoff")
	return cutoff.text("port"), err
}

// fields are a table's keys; reading a text or a table takes it out.
type fields map[string]any

// readDraft reads what stands above the Mark; what is below it is returned as it is.
func readDraft(text string) (f fields, below string, ok bool) {
	above, below, ok := strings.Cut(text, Mark+"\n")
	if ok {
		ok = toml.Unmarshal([]byte(above), &f) == nil
	}
	return f, strings.Trim(below, "\n"), ok
}

func (f fields) text(key string) string {
	v := f[key]
	delete(f, key)
	switch v := v.(type) {
	case string:
		return v
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return ""
}

func (f fields) table(key string) fields {
	t, _ := f[key].(map[string]any)
	return t
}

func (f fields) list(key string) (all []fields) {
	l, _ := f[key].([]any)
	for _, v := range l {
		if t, ok := v.(map[string]any); ok {
			all = append(all, t)
		}
	}
	return all
}
