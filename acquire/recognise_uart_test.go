package acquire_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/emulate"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
)

// wire is a meter on a serial line whose every bit is modelled: speed, data
// bits, parity and stop bits at both ends, and where in a bit the port is opened
// (emulate.Transmit, emulate.Receive). Not modelled are slow edges, noise on the
// line itself, and when within a burst its bytes are handed over: they come
// together at its end, as an adaptor's do. Its clock is that of the test's
// bubble, so times to answer are exact and take no time.
type wire struct {
	line   port.Line // the meter's
	frames [][]byte  // one a period, in turn; none: it is silent
	every  time.Duration
	first  time.Time                    // when the first frame begins
	power  bool                         // draws its power from DTR
	answer func(question string) string // of a meter that is asked, at its own line setting

	opened []string // line settings at which it was opened
	sent   string   // to it
}

func (w *wire) open(ctx context.Context, _, line string) (port.Conn, error) {
	l, err := port.ParseLine(line)
	w.opened = append(w.opened, line)
	c := &wireConn{wire: w, line: l, begun: time.Now(), timeout: -1}
	if w.every > 0 {
		c.next = max(0, int(time.Since(w.first)/w.every))
	}
	return c, errors.Join(err, ctx.Err())
}

type wireConn struct {
	*wire
	line    port.Line // the port's
	begun   time.Time
	next    int // burst to come
	came    []byte
	timeout time.Duration
	closed  bool
}

func (c *wireConn) SetReadTimeout(d time.Duration) error { c.timeout = d; return nil }
func (c *wireConn) Close() error                         { c.closed = true; return nil }

func (c *wireConn) Write(p []byte) (int, error) {
	c.sent += string(p)
	if c.answer != nil && c.line == c.wire.line {
		c.came = append(c.came, c.answer(string(p))...)
	}
	return len(p), nil
}

func (c *wireConn) Read(p []byte) (int, error) {
	timeout := c.timeout
	if timeout < 0 { // for ever
		timeout = time.Hour
	}
	until := time.Now().Add(timeout)
	for len(c.came) == 0 && !c.closed {
		if len(c.frames) == 0 || c.power && !c.line.DTR {
			time.Sleep(timeout)
			return 0, nil
		}
		begins := c.first.Add(time.Duration(c.next) * c.every)
		levels := emulate.Transmit(c.frames[c.next%len(c.frames)], c.wire.line)
		length := time.Duration(0)
		for _, v := range levels {
			length += v.For
		}
		if ends := begins.Add(length); ends.After(until) {
			time.Sleep(time.Until(until))
			return 0, nil
		} else {
			time.Sleep(time.Until(ends))
		}
		c.next++
		c.came = emulate.Receive(after(levels, c.begun.Sub(begins)), c.line)
	}
	if c.closed {
		return 0, fs.ErrClosed
	}
	n := copy(p, c.came)
	c.came = c.came[n:]
	return n, nil
}

// after is what is left of the course when the first d of it has passed.
func after(levels []emulate.Level, d time.Duration) []emulate.Level {
	for i, v := range levels {
		if v.For > d {
			rest := slices.Clone(levels[i:])
			rest[0].For -= max(d, 0)
			return rest
		}
		d -= v.For
	}
	return nil
}

// line is a line setting.
func line(t testing.TB, s string) port.Line {
	t.Helper()
	l, err := port.ParseLine(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// recognise runs the recognition in a bubble and says how long it took.
func recognise(t *testing.T, w *wire, phase time.Duration, formats []drivers.Format) (guesses []acquire.Guess, took time.Duration, err error) {
	synctest.Test(t, func(t *testing.T) {
		w.first = time.Now().Add(-phase)
		begun := time.Now()
		guesses, err = acquire.RecogniseOver(t.Context(), "/dev/k1", formats, nil, w.open)
		took = time.Since(begun)
	})
	return guesses, took, err
}

// Every capture at its own line setting, at two and five frames a second, and
// the port opened anywhere in them.
func TestRecogniseCaptures(t *testing.T) {
	times := map[string][]time.Duration{}
	for _, c := range captures(t) {
		for _, every := range []time.Duration{500 * time.Millisecond, 200 * time.Millisecond} {
			for phase := time.Duration(0); phase < every; phase += every / 5 {
				w := &wire{line: c.line, frames: c.frames, every: every}
				got, took, err := recognise(t, w, phase+3*every+3217*time.Microsecond, catalogue.All())
				if err != nil || len(got) == 0 || got[0].Format.Name != c.format || got[0].Line != c.line.String() || got[0].Confidence < c.atLeast() {
					t.Errorf("%s at %v, every %v, phase %v: %+v, %v; opened %q", c.name, c.line, every, phase, got, err, w.opened)
				}
				if w.sent != "" {
					t.Errorf("%s: sent %q to a meter that talks", c.name, w.sent)
				}
				if took > 4*time.Second && !c.damaged() {
					t.Errorf("%s took %v", c.name, took)
				}
				times[c.format] = append(times[c.format], took)
			}
		}
	}
	for format, all := range times {
		slices.Sort(all)
		t.Logf("%-8s answered in %v, at most %v", format, all[len(all)/2].Round(time.Millisecond), all[len(all)-1].Round(time.Millisecond))
	}
}

// Corrupted, at an unusual line setting, or on a head that must be given power.
func TestRecogniseInTrouble(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 2))
	for _, c := range captures(t) {
		noisy := c.frames
		if !c.damaged() {
			noisy = nil
			for _, f := range slices.Repeat(c.frames, 10) {
				noisy = append(noisy, corrupted(random, f, 0.05))
			}
		}
		got, took, err := recognise(t, &wire{line: c.line, frames: noisy, every: 400 * time.Millisecond}, time.Second, catalogue.All())
		if err != nil || len(got) == 0 || got[0].Format.Name != c.format || got[0].Line != c.line.String() || got[0].Confidence < 0.5 {
			t.Errorf("%s with 5 %% corrupted: %+v, %v, in %v", c.name, got, err, took)
		}

		l := c.line
		l.DTR = true
		got, took, err = recognise(t, &wire{line: c.line, frames: c.frames, every: 400 * time.Millisecond, power: true}, time.Second, catalogue.All())
		if err != nil || len(got) == 0 || got[0].Format.Name != c.format || got[0].Line != l.String() {
			t.Errorf("%s on DTR: %+v, %v", c.name, got, err)
		}
		t.Logf("%-32s on DTR in %v", c.name, took.Round(time.Millisecond))

		unusual := []string{"9600 8N1", "4800 8N1", "1200 8N1", "115200 8N1"}
		if c.line.DataBits == 7 {
			unusual = []string{"2400 7O1", "2400 7E1", "19200 7E1", "9600 7N2", "4800 7O1"}
		}
		for _, s := range unusual {
			got, took, err = recognise(t, &wire{line: line(t, s), frames: c.frames, every: 400 * time.Millisecond}, time.Second, catalogue.All())
			if err != nil || len(got) == 0 || got[0].Format.Name != c.format || got[0].Line != s || got[0].Confidence < c.atLeast() {
				t.Errorf("%s at %s: %+v, %v, in %v", c.name, s, got, err, took)
			}
		}
	}
}

// Two formats that nothing tells apart have half each.
func TestRecogniseTwins(t *testing.T) {
	c := captures(t)[0]
	one, err := catalogue.Find(c.format)
	if err != nil {
		t.Fatal(err)
	}
	two := one
	two.Name = "twin"
	w := &wire{line: c.line, frames: c.frames, every: 400 * time.Millisecond}
	got, took, err := recognise(t, w, time.Second, []drivers.Format{one, two})
	if err != nil || len(got) != 2 || math.Abs(got[0].Confidence-0.5) > 0.01 || math.Abs(got[1].Confidence-0.5) > 0.01 || len(w.opened) != 1 {
		t.Errorf("%+v, %v, opened %q", got, err, w.opened)
	}
	t.Logf("in %v", took)
}

// What is no meter is named as what it is, at the line setting it has, and
// nothing is sent to it.
func TestRecogniseStrangers(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	all := strangers(random)
	for _, c := range []struct{ what, line, want string }{
		{"NMEA 0183", "4800 8N1", "best guess at 4800 8N1: a navigation receiver (NMEA 0183) and no meter, \"$GP"},
		{"NMEA 0183", "19200 8N1", "best guess at 19200 8N1: a navigation receiver (NMEA 0183)"},
		{"modem", "115200 8N1", "best guess at 115200 8N1: a modem's commands and answers and no meter, "},
		{"modem", "1200 7E1", "best guess at 1200 7E1: a modem's"},
		{"figures in text", "2400 8N1", "best guess at 2400 8N1: lines of text, \""},
		{"figures in text", "9600 7O1", "best guess at 9600 7O1: lines of text, \""},
		{"figures in text", "2400 7N2", "best guess at 2400 7N2: lines of text, \""},
		{"random", "2400 8N1", "it looks neither like a meter that is known nor like text"},
		{"NUL", "1200 8N1", "nothing but NUL: "},
	} {
		bursts := slices.Collect(slices.Chunk(all[c.what], 100))
		if lines := bytes.SplitAfter(all[c.what], []byte("\n")); len(lines) > 1 {
			bursts = nil
			for some := range slices.Chunk(lines, 4) {
				bursts = append(bursts, slices.Concat(some...))
			}
		}
		w := &wire{line: line(t, c.line), frames: bursts, every: time.Second}
		got, took, err := recognise(t, w, time.Second, catalogue.All())
		if !errors.Is(err, acquire.ErrUnrecognised) || !strings.Contains(err.Error(), c.want) ||
			!strings.Contains(err.Error(), "/dev/k1: bytes arrive but no frame fits: seen ") {
			t.Errorf("%s at %s: %+v, %v; want %s", c.what, c.line, got, err, c.want)
		}
		if w.sent != "" {
			t.Errorf("%s: sent %q", c.what, w.sent)
		}
		t.Logf("in %v: %v", took.Round(time.Millisecond), err)
	}
}

// identifies is a format that asks "?" and knows its meter by the answer "me".
func identifies(name, own string, further ...string) drivers.Format {
	return drivers.Format{Name: name, Line: own, Lines: further, Keys: []string{"address"},
		NewAsker: func(drivers.Settings) (drivers.Asker, error) { return nil, errors.New("not asked for readings here") },
		Identify: func(c drivers.Conn) (drivers.Settings, float64, error) {
			if _, err := c.Write([]byte(name + "?")); err != nil {
				return nil, 0, err
			}
			if err := c.SetReadTimeout(time.Second); err != nil {
				return nil, 0, err
			}
			var buf [64]byte
			n, err := c.Read(buf[:])
			switch answer := string(buf[:n]); {
			case answer == name:
				return drivers.Settings{"address": "17"}, 0.95, err
			case answer != "":
				return nil, 0.2, err
			}
			return nil, 0, err
		}}
}

// Only a silent port is asked: each format's question at its own line setting,
// then at the others, until one is answered.
func TestRecogniseAsks(t *testing.T) {
	mute := drivers.Format{Name: "mute", Line: "600 7N2", NewAsker: identifies("x", "").NewAsker}
	fs9721, err := catalogue.Find("fs9721")
	if err != nil {
		t.Fatal(err)
	}
	formats := []drivers.Format{fs9721, mute, identifies("first", "9600 8N1", "19200 8N1"), identifies("second", "9600 8E1")}

	w := &wire{line: line(t, "9600 8E1"), answer: func(q string) string { return strings.TrimSuffix(q, "?") }}
	got, took, err := recognise(t, w, 0, formats)
	want := "[2400 8N1 2400 8N1 dtr 9600 8N1 9600 8E1]"
	if err != nil || len(got) != 1 || got[0].Format.Name != "second" || got[0].Line != "9600 8E1" || got[0].Confidence != 0.95 ||
		got[0].Settings["address"] != "17" || w.sent != "first?second?" || fmt.Sprint(w.opened) != want {
		t.Errorf("%+v, %v; sent %q at %q, want %s", got, err, w.sent, w.opened, want)
	}
	t.Logf("asked and answered in %v", took)

	w = &wire{line: line(t, "9600 8N1"), answer: func(string) string { return "what?" }}
	if got, _, err = recognise(t, w, 0, formats); err != nil || len(got) != 1 || got[0].Format.Name != "first" || got[0].Confidence != 0.2 {
		t.Errorf("half an answer: %+v, %v", got, err)
	}

	w = &wire{line: line(t, "300 8N1")}
	_, took, err = recognise(t, w, 0, formats)
	const silent = "/dev/k1: nothing is heard, whether DTR is asserted or not, and there is no answer to the questions of first, second: " +
		"is the meter on, and its data output switched on? Found only when named with --format: mute"
	if !errors.Is(err, acquire.ErrUnrecognised) || err.Error() != silent {
		t.Errorf("silence: %v, want %s", err, silent)
	}
	t.Logf("silence told in %v", took)
}

// A meter that is switched on while the port is being asked is listened to, and
// asked no more.
func TestRecogniseSwitchedOn(t *testing.T) {
	c := captures(t)[0]
	one, err := catalogue.Find(c.format)
	if err != nil {
		t.Fatal(err)
	}
	formats := []drivers.Format{one, identifies("first", "19200 8N1"), identifies("second", "9600 8N1"), identifies("third", "4800 8N1")}
	w := &wire{line: c.line, frames: c.frames, every: 400 * time.Millisecond}
	got, took, err := recognise(t, w, -4*time.Second, formats) // 2.4 s to listen, 1 s for the first
	if err != nil || len(got) == 0 || got[0].Format.Name != c.format || got[0].Line != c.line.String() || w.sent != "first?second?" {
		t.Errorf("%+v, %v; sent %q at %q", got, err, w.sent, w.opened)
	}
	t.Logf("in %v", took)
}

// Listen says what fits better than a wrong line setting or format.
func TestListenGuesses(t *testing.T) {
	all := captures(t)
	for _, c := range []struct{ sent, at, format, line, want string }{
		{"es51922", "19200 7O1", "es51922", "19200 7E1", ", best guess 19200 7O1"},
		{"es51922", "19200 7O1", "es51922", "2400 8N1", ", best guess 19200 7O1"},
		{"es51986", "2400 7N2", "es51986", "19200 7O1", ", best guess 2400 7N2"},
		{"fs9721", "2400 8N1", "fs9721", "9600 8N1", ", best guess 2400 8N1"},
		{"fs9721", "2400 8N1", "dtm0660", "2400 8N1", ", best guess fs9721 at 2400 8N1"},
		{"fs9922", "2400 8N1", "es51922", "19200 7O1", ", best guess fs9922 at 2400 8N1"},
		{"", "9600 8N1", "fs9721", "2400 8N1", "; best guess at 9600 8N1: lines of text"},
		{"es51986 °C", "19200 7O1", "es51986", "19200 7O1", "; whole frames come, but say what es51986 has no word for: is the meter's knob at another function?"},
	} {
		w := &wire{line: line(t, c.at), every: 400 * time.Millisecond}
		switch i := slices.IndexFunc(all, func(a capture) bool { return a.format == c.sent }); {
		case i >= 0:
			w.frames = all[i].frames
		case c.sent == "":
			w.frames = [][]byte{[]byte("0.0382 V\r\n"), []byte("0.0381 V\r\n")}
		default:
			w.frames = [][]byte{[]byte("002344002\r\n")}
		}
		f, err := catalogue.Find(c.format)
		if err != nil {
			t.Fatal(err)
		}
		var took time.Duration
		synctest.Test(t, func(t *testing.T) {
			w.first = time.Now().Add(-time.Second)
			begun := time.Now()
			err = acquire.ListenOver(t.Context(), "/dev/k1", f, c.line, nil, func(_ time.Duration, r drivers.Reading) bool {
				t.Errorf("reading %v", r)
				return false
			}, w.open)
			took = time.Since(begun)
		})
		begins := fmt.Sprintf("/dev/k1: bytes arrive but no frame fits %s at %s: seen ", c.format, c.line)
		if !errors.Is(err, acquire.ErrUnrecognised) || !strings.HasPrefix(err.Error(), begins) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s at %s heard as %s at %s: %v, want %s...%s", c.sent, c.at, c.format, c.line, err, begins, c.want)
		}
		if w.sent != "" {
			t.Errorf("sent %q", w.sent)
		}
		t.Logf("in %v: %v", took.Round(time.Millisecond), err)
	}
}
