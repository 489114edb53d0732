package catalogue

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"nightsoak/drivers"
)

func TestAll(t *testing.T) {
	var names []string
	for _, f := range All() {
		names = append(names, f.Name)
		if f.Line == "" || f.Source == "" {
			t.Errorf("%s has line %q and source %q", f.Name, f.Line, f.Source)
		}
		if (f.NewDecoder == nil) == (f.NewAsker == nil) {
			t.Errorf("%s is not exactly one of decoder and asker", f.Name)
		}
		if got, err := Find(f.Name); err != nil || got.Name != f.Name || got.Kind() != f.Kind() {
			t.Errorf("Find(%q) = %v, %v", f.Name, got, err)
		}
	}
	if want := []string{"fs9721", "es51922", "es51986", "fs9922", "dtm0660", "textline", "ascii14", "scpi", "modbus"}; !slices.Equal(names, want) {
		t.Errorf("formats are %q, want %q", names, want)
	}
}

func TestFindUnknown(t *testing.T) {
	for name, nearest := range map[string]string{
		"fs9712": "fs9721", "FS9721": "fs9721", "es519": "es51922", "spci": "scpi", " scpi ": "scpi", "": "scpi",
	} {
		_, err := Find(name)
		want := fmt.Sprintf("format %q is not known: nearest is %q, known are fs9721, es51922, es51986, fs9922, dtm0660, textline, ascii14, scpi, modbus", name, nearest)
		if err == nil || err.Error() != want {
			t.Errorf("Find(%q): %v, want %s", name, err, want)
		}
	}
}

// Captures stand under testdata/captures/FORMAT: NAME.hex for a format that
// listens, NAME.dialogue ("> " sent, "< " answered) for one that asks, and
// beside each NAME.want, one line a reading: figure, unit, flags. The
// expectation is what the display showed, so nothing writes it but a person.
// Questions end in LF and answers in CR LF, or as the header "ends" says, which
// is "hex" where the lines are bytes.
const captures = "../../testdata/captures"

func TestCaptures(t *testing.T) {
	fsys := os.DirFS(captures)
	for _, p := range problems(fsys) {
		t.Error(p)
	}
	for _, f := range All() {
		if found, err := fs.Glob(fsys, f.Name+"/*.want"); err != nil || len(found) == 0 {
			t.Errorf("format %s has no capture under %s/%s", f.Name, captures, f.Name)
		}
	}
}

// problems replays every capture and tells what is not as expected.
func problems(fsys fs.FS) (all []string) {
	err := fs.WalkDir(fsys, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		if err := checkFile(fsys, name); err != nil {
			all = append(all, name+": "+err.Error())
		}
		return nil
	})
	if err != nil {
		all = append(all, err.Error())
	}
	return all
}

func checkFile(fsys fs.FS, name string) error {
	stem := strings.TrimSuffix(name, path.Ext(name))
	var replay func(drivers.Format, capture) ([]string, error)
	switch path.Ext(name) {
	case ".hex":
		replay = listen
	case ".dialogue":
		replay = converse
	case ".want":
		if found, err := fs.Glob(fsys, stem+".[hd]*"); err != nil || len(found) != 1 {
			return fmt.Errorf("an expectation for %d captures", len(found))
		}
		return nil
	default:
		return errors.New("neither .hex, .dialogue nor .want")
	}
	c, err := readCapture(fsys, name)
	if err != nil {
		return err
	}
	f, err := Find(path.Dir(name))
	if err != nil {
		return err
	}
	if c.header["format"] != f.Name {
		return fmt.Errorf("header says format %q", c.header["format"])
	}
	wanted, err := fs.ReadFile(fsys, stem+".want")
	if err != nil {
		return fmt.Errorf("a capture without expectation: %w", err)
	}
	got, err := replay(f, c)
	if err != nil {
		return err
	}
	if want := strings.Split(strings.TrimSuffix(string(wanted), "\n"), "\n"); !slices.Equal(got, want) {
		return fmt.Errorf("reads %q, want %q", got, want)
	}
	return nil
}

// capture is a file of bytes or of a dialogue, with its header.
type capture struct {
	header map[string]string // "# key: value"
	lines  []string          // all else, comments cut off
}

func readCapture(fsys fs.FS, name string) (capture, error) {
	c := capture{header: map[string]string{}}
	b, err := fs.ReadFile(fsys, name)
	if err != nil {
		return c, err
	}
	for line := range strings.Lines(string(b)) {
		line, comment, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "#")
		if line = strings.TrimRight(line, " "); line != "" {
			c.lines = append(c.lines, line)
		} else if key, value, ok := strings.Cut(comment, ":"); ok && len(c.lines) == 0 {
			c.header[strings.TrimSpace(key)] = strings.TrimSpace(value)
		}
	}
	for _, key := range []string{"format", "line", "source", "display"} {
		if c.header[key] == "" {
			return c, fmt.Errorf("no %q in the header", key)
		}
	}
	return c, nil
}

// settings are those of the header: "set KEY: VALUE".
func (c capture) settings() drivers.Settings {
	s := drivers.Settings{}
	for key, value := range c.header {
		if key, is := strings.CutPrefix(key, "set "); is {
			s[key] = value
		}
	}
	return s
}

// bytes are those of a .hex file.
func (c capture) bytes() ([]byte, error) {
	return hex.DecodeString(strings.ReplaceAll(strings.Join(c.lines, ""), " ", ""))
}

// show is a reading as a .want file writes it.
func show(r drivers.Reading) string {
	return strings.TrimSpace(r.Text() + " " + r.Unit() + " " + r.Flags.String())
}

func listen(f drivers.Format, c capture) (got []string, err error) {
	if f.NewDecoder == nil {
		return nil, fmt.Errorf("format %s does not listen: it needs a .dialogue", f.Name)
	}
	p, err := c.bytes()
	if err != nil {
		return nil, err
	}
	d, err := f.NewDecoder(c.settings())
	if err != nil {
		return nil, err
	}
	d.Feed(p, func(r drivers.Reading) { got = append(got, show(r)) })
	return got, nil
}

func converse(f drivers.Format, c capture) (got []string, err error) {
	if f.NewAsker == nil {
		return nil, fmt.Errorf("format %s does not ask: it needs a .hex", f.Name)
	}
	s := c.settings()
	s["timeout"] = "20ms" // what the dialogue does not answer stays unanswered
	a, err := f.NewAsker(s)
	if err != nil {
		return nil, err
	}
	d := &dialogue{lines: c.lines, asked: "\n", answered: "\r\n"}
	switch ends := c.header["ends"]; ends {
	case "":
	case "none, CR":
		d.asked, d.answered = "", "\r"
	case "hex": // the lines are bytes
		d.asked, d.answered = "", ""
		for i, line := range d.lines {
			side, bytes, _ := strings.Cut(line, " ")
			p, err := hex.DecodeString(strings.ReplaceAll(bytes, " ", ""))
			if err != nil {
				return nil, fmt.Errorf("line %q: %w", line, err)
			}
			d.lines[i] = side + " " + string(p)
		}
	default:
		return nil, fmt.Errorf("unknown ends %q", ends)
	}
	for len(d.lines) > 0 {
		r, err := a.Ask(d)
		if err != nil {
			return got, err
		}
		got = append(got, show(r))
	}
	return got, nil
}

// dialogue is the meter's side of a .dialogue file. It is strict about what it hears.
type dialogue struct {
	lines           []string // what is still to come
	asked, answered string   // what ends a question, and an answer
	pending         string   // answer not yet read
	timeout         time.Duration
}

func (d *dialogue) SetReadTimeout(t time.Duration) error { d.timeout = t; return nil }

func (d *dialogue) Write(p []byte) (int, error) {
	if len(d.lines) == 0 || string(p) != strings.TrimPrefix(d.lines[0], "> ")+d.asked {
		return 0, fmt.Errorf("heard %q, the dialogue goes on with %q", p, d.lines)
	}
	d.lines = d.lines[1:]
	for len(d.lines) > 0 && strings.HasPrefix(d.lines[0], "< ") {
		d.pending += strings.TrimPrefix(d.lines[0], "< ") + d.answered
		d.lines = d.lines[1:]
	}
	return len(p), nil
}

func (d *dialogue) Read(p []byte) (int, error) {
	if d.pending == "" {
		time.Sleep(min(d.timeout, time.Millisecond))
		return 0, nil
	}
	n := copy(p, d.pending)
	d.pending = d.pending[n:]
	return n, nil
}

// TestCaptureProblems: the check of the captures fails where it should.
func TestCaptureProblems(t *testing.T) {
	const (
		header = "# format: fs9721\n# line: 2400 8N1\n# source: written out\n# display: 038.2 mV DC Auto\n"
		frame  = "17 27 3D 41 5F 67 7F 8D 9B A0 B8 C0 D4 E0 # 038.2\n"
		want   = "38.2 mV dc auto\n"
		talk   = "# format: scpi\n# line: 9600 8N1\n# source: written out\n# display: 1 V\n# set function: VOLT:DC\n"
	)
	tests := []struct {
		name  string
		files map[string]string
		want  string // part of the only problem, "" for none
	}{
		{"fine", map[string]string{"fs9721/a.hex": header + frame, "fs9721/a.want": want}, ""},
		{"no expectation", map[string]string{"fs9721/a.hex": header + frame}, "fs9721/a.hex: a capture without expectation"},
		{"no capture", map[string]string{"fs9721/a.want": want}, "fs9721/a.want: an expectation for 0 captures"},
		{"other reading", map[string]string{"fs9721/a.hex": header + frame, "fs9721/a.want": "38.3 mV dc auto\n"}, `reads ["38.2 mV dc auto"], want ["38.3`},
		{"a reading too few", map[string]string{"fs9721/a.hex": header + frame, "fs9721/a.want": want + want}, `reads ["38.2`},
		{"no source", map[string]string{"fs9721/a.hex": strings.Replace(header, "source", "sauce", 1) + frame, "fs9721/a.want": want}, `no "source" in the header`},
		{"other format", map[string]string{"es51922/a.hex": header + frame, "es51922/a.want": want}, `header says format "fs9721"`},
		{"unknown format", map[string]string{"fs97/a.hex": header + frame, "fs97/a.want": want}, `format "fs97" is not known`},
		{"not hex", map[string]string{"fs9721/a.hex": header + "17 2G\n", "fs9721/a.want": want}, "invalid byte"},
		{"other file", map[string]string{"fs9721/a.bin": "x"}, "neither .hex, .dialogue nor .want"},
		{"dialogue for a listener", map[string]string{"fs9721/a.dialogue": header + "> x\n", "fs9721/a.want": want}, "needs a .hex"},
		{"bytes for an asker", map[string]string{"scpi/a.hex": talk + "00\n", "scpi/a.want": want}, "needs a .dialogue"},
		{"something else is asked", map[string]string{"scpi/a.dialogue": talk + "> *RST\n", "scpi/a.want": want}, `heard "*CLS\n", the dialogue goes on with ["> *RST"]`},
		{"other ends", map[string]string{"scpi/a.dialogue": strings.Replace(talk, "# set", "# ends: FF\n# set", 1) + "> x\n", "scpi/a.want": want}, `unknown ends "FF"`},
		{"not hex either", map[string]string{"scpi/a.dialogue": strings.Replace(talk, "# set", "# ends: hex\n# set", 1) + "> 0G\n", "scpi/a.want": want}, `line "> 0G": encoding/hex: invalid byte`},
		{"no answer", map[string]string{"scpi/a.dialogue": talk + "> *CLS\n> *IDN?\n", "scpi/a.want": want}, "no line in answer to *IDN?"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			fsys := fstest.MapFS{}
			for name, text := range tt.files {
				fsys[name] = &fstest.MapFile{Data: []byte(text)}
			}
			got := problems(fsys)
			if tt.want == "" && len(got) == 0 || tt.want != "" && len(got) == 1 && strings.Contains(got[0], tt.want) {
				return
			}
			t.Errorf("problems are %q, want one with %q", got, tt.want)
		})
	}
}
