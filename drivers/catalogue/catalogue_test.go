package catalogue

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
)

func TestAll(t *testing.T) {
	for _, f := range All() {
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
}

func TestFindUnknown(t *testing.T) {
	for name, nearest := range map[string]string{
		"fs9712": "fs9721", "FS9721": "fs9721", "es519": "es51922", "spci": "scpi", " scpi ": "scpi",
	} {
		_, err := Find(name)
		want := fmt.Sprintf("format %q is not known: nearest is %q, known are %s", name, nearest, strings.Join(Names(), ", "))
		if err == nil || err.Error() != want {
			t.Errorf("Find(%q): %v, want %s", name, err, want)
		}
	}
}

const captures = "../../testdata/captures"

func TestCaptures(t *testing.T) {
	for _, p := range problems(os.DirFS(captures)) {
		t.Error(p)
	}
	for _, f := range All() {
		if found, err := filepath.Glob(filepath.Join(captures, f.Name, "*.want")); err != nil || len(found) == 0 {
			t.Errorf("format %s has no capture under %s/%s", f.Name, captures, f.Name)
		}
	}
}

// problems replays every capture and tells what is not as expected.
func problems(fsys fs.FS) (all []string) {
	found, err := drivertest.ReadCaptures(fsys)
	if err != nil {
		all = strings.Split(err.Error(), "\n")
	}
	for _, c := range found {
		got, err := replay(c)
		if err == nil && !slices.Equal(got, c.Want) {
			err = fmt.Errorf("reads %q, want %q", got, c.Want)
		}
		if err != nil {
			all = append(all, fmt.Sprintf("%s/%s: %v", c.Format, c.Name, err))
		}
	}
	return all
}

// replay is what the capture's format makes of it.
func replay(c drivertest.Capture) (got []string, err error) {
	f, err := Find(c.Format)
	switch {
	case err != nil:
		return nil, err
	case f.NewDecoder != nil && c.Frames == nil:
		return nil, fmt.Errorf("format %s does not ask: it needs a .hex", f.Name)
	case f.NewDecoder != nil:
		d, err := f.NewDecoder(c.Settings)
		if err != nil {
			return nil, err
		}
		d.Feed(c.Bytes(), func(r drivers.Reading) { got = append(got, drivertest.Show(r)) })
		return got, nil
	case c.Talk == nil:
		return nil, fmt.Errorf("format %s does not listen: it needs a .dialogue", f.Name)
	}
	c.Settings["timeout"] = "20ms" // what the dialogue does not answer stays unanswered
	a, err := f.NewAsker(c.Settings)
	if err != nil {
		return nil, err
	}
	for m := c.Meter(); !m.Done(); {
		r, err := a.Ask(m)
		if err != nil {
			return got, err
		}
		got = append(got, drivertest.Show(r))
	}
	return got, nil
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
		{"unknown format", map[string]string{"fs97/a.hex": strings.Replace(header, "fs9721", "fs97", 1) + frame, "fs97/a.want": want}, `format "fs97" is not known`},
		{"not hex", map[string]string{"fs9721/a.hex": header + "17 2G\n", "fs9721/a.want": want}, "invalid byte"},
		{"other file", map[string]string{"fs9721/a.bin": "x"}, "neither .hex, .dialogue nor .want"},
		{"dialogue for a listener", map[string]string{"fs9721/a.dialogue": header + "> x\n", "fs9721/a.want": want}, "needs a .hex"},
		{"bytes for an asker", map[string]string{"scpi/a.hex": talk + "00\n", "scpi/a.want": want}, "needs a .dialogue"},
		{"something else is asked", map[string]string{"scpi/a.dialogue": talk + "> *RST\n", "scpi/a.want": want}, `heard "*CLS\n", the dialogue goes on with [{"*RST\n" ""}]`},
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
