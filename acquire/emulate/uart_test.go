package emulate

import (
	"bytes"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"nightsoak/acquire/port"
)

func parseLine(t testing.TB, s string) port.Line {
	t.Helper()
	l, err := port.ParseLine(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The course of a line, bit by bit: 0x4B is 1101 0010, lowest bit first.
func TestTransmit(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"1000 8N1", "0110100101"},
		{"1000 8E1", "01101001001"}, // four ones: even parity adds none
		{"1000 8O2", "011010010111"},
		{"1000 7M1", "0110100111"}, // 100 1011
		{"1000 7S2", "01101001011"},
		{"1000 5N1", "0110101"},
	} {
		got := ""
		for _, v := range Transmit([]byte{0x4B}, parseLine(t, c.line)) {
			for range v.For / time.Millisecond {
				got += map[bool]string{true: "1", false: "0"}[v.Mark]
			}
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", c.line, got, c.want)
		}
	}
}

// What a mismatch makes of bytes, worked out by hand.
func TestReceive(t *testing.T) {
	for _, c := range []struct {
		name, sent, heard string
		bytes, want       string
	}{
		// Every bit lasts two: 00 11 00 11 00 11 00 11 00 11 is start 0, 0110 0110,
		// stop 0; taken for a start bit, it is followed by 1100 1100 and a stop bit.
		{"half the speed", "1200 8N1", "2400 8N1", "U", "\x66\x33"},
		// Nine bits low last 72: one NUL for each, not seven.
		{"breaks", "1200 8N1", "9600 8N1", "\x00\x00", "\x00\x00"},
		{"a glitch is no start bit", "9600 8N1", "2400 8N1", "\xFF", ""},
		// The parity bit is where the eighth data bit is looked for: '1' has
		// three ones, '3' has four.
		{"parity heard as a bit", "19200 7O1", "19200 8N1", "13\r\n", "\x31\xB3\x0D\x8A"},
		{"even parity as a bit", "19200 7E1", "19200 8N1", "13", "\xB1\x33"},
		{"the first of two stop bits as a bit", "600 7N2", "600 8N1", "D\r", "\xC4\x8D"},
		// Input checking: '1' sent with odd parity, which even parity finds wrong.
		{"wrong parity", "2400 7O1", "2400 7E1", "13", "\x00\x00"},
		// 8N1 heard at 7O1: the eighth bit as parity, right for half of all bytes.
		{"eighth bit as parity", "2400 8N1", "2400 7O1", "13", "1\x00"},
		{"stop bits on top", "2400 8N2", "2400 8N1", "fine\x80", "fine\x80"},
		// 11 bits heard as 10: a parity bit of 0 is a framing error, and then the
		// start bit of a character whose bits are the stop bit, idle.
		{"a parity bit of 0 as a stop bit", "2400 8E1", "2400 8N1", "\x33", "\x33\xFF"},
		{"a parity bit of 1 as a stop bit", "2400 8O1", "2400 8N1", "\x33", "\x33"},
	} {
		if got := Receive(Transmit([]byte(c.bytes), parseLine(t, c.sent)), parseLine(t, c.heard)); string(got) != c.want {
			t.Errorf("%s: %q heard as % X, want % X", c.name, c.bytes, got, c.want)
		}
	}
}

// At the sender's own setting everything arrives, at any speed.
func TestReceiveOwn(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	for _, frame := range []string{"8N1", "7O1", "7E1", "7N2", "7M1", "8E2", "5N1.5", "6S1"} {
		for _, speed := range []string{"50", "600", "2400", "19200", "115200", "4000000"} {
			l := parseLine(t, speed+" "+frame)
			sent := make([]byte, 200)
			for i := range sent {
				sent[i] = byte(random.IntN(1 << l.DataBits))
			}
			if got := Receive(Transmit(sent, l), l); !bytes.Equal(got, sent) {
				t.Errorf("%v: % X sent, % X heard", l, sent, got)
			}
		}
	}
}

// A receiver that is some per cent off: 10 bits drift by half a bit at 5 %.
func TestReceiveTolerance(t *testing.T) {
	sent := []byte("0123456789\x00\xFF\x80\x01")
	for _, c := range []struct {
		baud int
		fine bool
	}{{9600, true}, {9600 * 103 / 100, true}, {9600 * 97 / 100, true}, {9600 * 108 / 100, false}, {9600 * 92 / 100, false}} {
		l := port.Line{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}
		heard := l
		heard.Baud = c.baud
		if got := Receive(Transmit(sent, l), heard); bytes.Equal(got, sent) != c.fine {
			t.Errorf("at %d: % X, fine is to be %v", c.baud, got, c.fine)
		}
	}
}

// Through a real pseudo-terminal: what is read depends on the speed that it is
// set to, and what is written is kept.
func TestTalk(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k1")
	sent := parseLine(t, "1200 8N1")
	meter, err := Talk(link, sent, 5*time.Millisecond, []byte("U"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ line, want string }{{"1200 8N1", "U"}, {"2400 8N1", "\x66\x33"}} {
		p, err := port.Open(t.Context(), link, c.line)
		if err != nil {
			t.Fatal(err)
		}
		if err := p.SetReadTimeout(5 * time.Second); err != nil {
			t.Fatal(err)
		}
		// What waited from before the speed was set may come first.
		var got []byte
		for buf := make([]byte, 64); len(got) < 100 && !bytes.HasSuffix(got, []byte(c.want)); {
			n, err := p.Read(buf)
			if err != nil || n == 0 {
				t.Fatalf("%s: %q, %v", c.line, got, err)
			}
			got = append(got, buf[:n]...)
		}
		if !bytes.HasSuffix(got, []byte(c.want)) {
			t.Errorf("%s: read % X, want % X", c.line, got, c.want)
		}
		if _, err := p.Write([]byte("?")); err != nil {
			t.Fatal(err)
		}
		p.Close()
	}
	for limit := time.Now().Add(5 * time.Second); string(meter.Got()) != "??"; time.Sleep(time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("the meter got %q", meter.Got())
		}
	}
	if err := meter.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(link); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the port is still there: %v", err)
	}
}

func FuzzReceive(f *testing.F) {
	f.Add([]byte("\x00\xFF\x55"), 2400, 19200, byte('O'))
	f.Fuzz(func(t *testing.T, p []byte, sent, heard int, parity byte) {
		from := port.Line{Baud: min(max(sent, 50), 4e6), DataBits: 8, Parity: 'N', StopBits: 1}
		to := port.Line{Baud: min(max(heard, 50), 4e6), DataBits: 7, Parity: "NEOMS"[parity%5], StopBits: 1}
		// No character takes less than its bits, the last one may end in idle.
		most := (len(p)*10*to.Baud/from.Baud)/(to.DataBits+1) + 1
		if got := Receive(Transmit(p, from), to); len(got) > most {
			t.Errorf("%d bytes at %v make %d at %v", len(p), from, len(got), to)
		}
	})
}
