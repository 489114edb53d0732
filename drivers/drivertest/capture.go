package drivertest

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"time"

	"nightsoak/drivers"
)

// A Capture is what a meter sent, or a conversation with one, and what its
// display showed. Captures stand under testdata/captures/FORMAT: NAME.hex for a
// format that listens, NAME.dialogue ("> " sent, "< " answered) for one that
// asks, and beside each NAME.want, one line a reading: figure, unit, flags. The
// expectation is what the display showed, so nothing writes it but a person.
// Questions end in LF and answers in CR LF, or as the header "ends" says.
type Capture struct {
	Format, Name string
	Line         string           // line settings
	Settings     drivers.Settings // header lines "set KEY: VALUE"
	Frames       [][]byte         // of a .hex file, one a line
	Talk         []Turn           // of a .dialogue file
	Want         []string         // as [Show] writes a reading
}

// Turn is a question and its answer, with their ends; no answer is empty.
type Turn struct{ Question, Answer string }

// ReadCaptures reads every capture in fsys, by format and name. Its error joins
// what is wrong with each file.
func ReadCaptures(fsys fs.FS) (all []Capture, err error) {
	var wrong []error
	err = fs.WalkDir(fsys, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		stem := strings.TrimSuffix(name, path.Ext(name))
		switch path.Ext(name) {
		case ".hex", ".dialogue":
			c, err := readCapture(fsys, stem, path.Ext(name))
			if err != nil {
				wrong = append(wrong, fmt.Errorf("%s: %w", name, err))
			} else {
				all = append(all, c)
			}
		case ".want":
			if found, _ := fs.Glob(fsys, stem+".[hd]*"); len(found) != 1 {
				wrong = append(wrong, fmt.Errorf("%s: an expectation for %d captures", name, len(found)))
			}
		default:
			wrong = append(wrong, fmt.Errorf("%s: neither .hex, .dialogue nor .want", name))
		}
		return nil
	})
	return all, errors.Join(append(wrong, err)...)
}

func readCapture(fsys fs.FS, stem, ext string) (Capture, error) {
	c := Capture{Settings: drivers.Settings{}, Name: path.Base(stem)}
	text, err := fs.ReadFile(fsys, stem+ext)
	if err != nil {
		return c, err
	}
	header := map[string]string{}
	var lines []string // all but the header, comments cut off
	for line := range strings.Lines(string(text)) {
		line, comment, commented := strings.Cut(strings.TrimSuffix(line, "\n"), "#")
		if commented { // else a space at the end is the meter's
			line = strings.TrimRight(line, " ")
		}
		if line != "" {
			lines = append(lines, line)
		} else if key, value, ok := strings.Cut(comment, ":"); ok && len(lines) == 0 {
			key, value = strings.TrimSpace(key), strings.TrimSpace(value)
			if header[key] = value; strings.HasPrefix(key, "set ") {
				c.Settings[strings.TrimPrefix(key, "set ")] = value
			}
		}
	}
	for _, key := range []string{"format", "line", "source", "display"} {
		if header[key] == "" {
			return c, fmt.Errorf("no %q in the header", key)
		}
	}
	if c.Format, c.Line = header["format"], header["line"]; c.Format != path.Dir(stem) {
		return c, fmt.Errorf("header says format %q", c.Format)
	}
	if ext == ".hex" {
		c.Frames, err = frames(lines)
	} else {
		c.Talk, err = turns(lines, header["ends"])
	}
	if err != nil {
		return c, err
	}
	want, err := fs.ReadFile(fsys, stem+".want")
	if err != nil {
		return c, fmt.Errorf("a capture without expectation: %w", err)
	}
	c.Want = strings.Split(strings.TrimSuffix(string(want), "\n"), "\n")
	return c, nil
}

// Bytes are all that the meter sent, of a .hex file.
func (c Capture) Bytes() []byte { return slices.Concat(c.Frames...) }

func unhex(s string) ([]byte, error) { return hex.DecodeString(strings.ReplaceAll(s, " ", "")) }

// frames reads the lines of a .hex file.
func frames(lines []string) (all [][]byte, err error) {
	for _, line := range lines {
		frame, err := unhex(line)
		if err != nil {
			return nil, fmt.Errorf("line %q: %w", line, err)
		}
		all = append(all, frame)
	}
	return all, nil
}

// turns reads the lines of a dialogue.
func turns(lines []string, ends string) (all []Turn, err error) {
	asked, answered := "\n", "\r\n"
	switch ends {
	case "":
	case "none, CR":
		asked, answered = "", "\r"
	case "hex": // the lines are bytes
		asked, answered = "", ""
	default:
		return nil, fmt.Errorf("unknown ends %q", ends)
	}
	for _, line := range lines {
		said := line[min(2, len(line)):]
		if ends == "hex" {
			p, err := unhex(said)
			if err != nil {
				return nil, fmt.Errorf("line %q: %w", line, err)
			}
			said = string(p)
		}
		switch {
		case strings.HasPrefix(line, "> "):
			all = append(all, Turn{Question: said + asked})
		case strings.HasPrefix(line, "< ") && len(all) > 0:
			all[len(all)-1].Answer += said + answered
		default:
			return nil, fmt.Errorf("line %q: neither a question \"> \" nor its answer \"< \"", line)
		}
	}
	return all, nil
}

// Meter is the meter's side of a dialogue. It is strict about what it hears.
// As a [drivers.Conn] it answers at once.
type Meter struct {
	turns   []Turn
	heard   string // of the next question
	pending []byte // answers not yet read
	timeout time.Duration
}

// Meter is the meter that holds the capture's dialogue.
func (c Capture) Meter() *Meter { return &Meter{turns: slices.Clone(c.Talk)} }

// Done says that the dialogue is over.
func (m *Meter) Done() bool { return len(m.turns) == 0 }

// Hear takes bytes of a question and returns the answers that are due. It fails
// when the dialogue does not go on so.
func (m *Meter) Hear(p []byte) (answers []byte, err error) {
	m.heard += string(p)
	for len(m.turns) > 0 && strings.HasPrefix(m.heard, m.turns[0].Question) {
		m.heard = m.heard[len(m.turns[0].Question):]
		answers = append(answers, m.turns[0].Answer...)
		m.turns = m.turns[1:]
	}
	if m.heard != "" && (m.Done() || !strings.HasPrefix(m.turns[0].Question, m.heard)) {
		return answers, fmt.Errorf("heard %q, the dialogue goes on with %q", m.heard, m.turns)
	}
	return answers, nil
}

// SetReadTimeout bounds the wait of a Read that has nothing, to 1 ms at most.
func (m *Meter) SetReadTimeout(d time.Duration) error { m.timeout = d; return nil }

// Write is Hear.
func (m *Meter) Write(p []byte) (int, error) {
	answers, err := m.Hear(p)
	m.pending = append(m.pending, answers...)
	return len(p), err
}

// Read takes what was answered.
func (m *Meter) Read(p []byte) (int, error) {
	if len(m.pending) == 0 {
		time.Sleep(min(m.timeout, time.Millisecond))
		return 0, nil
	}
	n := copy(p, m.pending)
	m.pending = m.pending[n:]
	return n, nil
}
