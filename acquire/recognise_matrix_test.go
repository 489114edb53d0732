package acquire_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"nightsoak/acquire"
	"nightsoak/acquire/emulate"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
	"nightsoak/drivers/drivertest"
)

// capture is what one meter sent.
type capture struct {
	name, format string
	line         port.Line
	frames       [][]byte // a line of the file each
}

func (c capture) bytes() []byte { return slices.Concat(c.frames...) }

// captures are those of the formats that talk by themselves and need no settings.
func captures(t testing.TB) []capture {
	t.Helper()
	found, err := drivertest.ReadCaptures(os.DirFS("../testdata/captures"))
	if err != nil {
		t.Fatal(err)
	}
	var all []capture
	for _, c := range found {
		f, err := catalogue.Find(c.Format)
		if err != nil {
			t.Fatal(err)
		}
		if f.Plain() == nil {
			continue
		}
		line, err := port.ParseLine(c.Line)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, capture{name: c.Format + "/" + c.Name, format: c.Format, line: line, frames: c.Frames})
	}
	return all
}

// damaged says that the capture lacks bytes as it is, in many of its few frames.
func (c capture) damaged() bool {
	return strings.HasSuffix(c.name, "/joined-in-mid-frame") || strings.HasSuffix(c.name, "/parity-kept")
}

// atLeast is the confidence with which it must be recognised.
func (c capture) atLeast() float64 {
	if c.damaged() {
		return 0.5
	}
	return 0.99
}

// twenty is the capture repeated until a decoder has made at least 20 frames of it.
func (c capture) twenty(t testing.TB) []byte {
	t.Helper()
	f, err := catalogue.Find(c.format)
	if err != nil {
		t.Fatal(err)
	}
	d := f.Plain()
	var stream []byte
	for n := 0; n < 20; {
		before := n
		stream = append(stream, c.bytes()...)
		if d.Feed(c.bytes(), func(drivers.Reading) { n++ }); n == before {
			t.Fatalf("%s: no frame in %d bytes", c.name, len(stream))
		}
	}
	return stream
}

// corrupted has each byte replaced with the probability.
func corrupted(r *rand.Rand, p []byte, probability float64) []byte {
	p = slices.Clone(p)
	for i := range p {
		if r.Float64() < probability {
			p[i] = byte(r.Uint32())
		}
	}
	return p
}

// strangers are streams that no format may be recognised in.
func strangers(r *rand.Rand) map[string][]byte {
	random := make([]byte, 20*15)
	for i := range random {
		random[i] = byte(r.Uint32())
	}
	nmea := ""
	for i := range 6 {
		for _, s := range []string{
			fmt.Sprintf("GPGGA,%06d,5213.%04d,N,00%03d.0000,E,1,08,0.9,545.4,M,46.9,M,,", 92750+i, r.IntN(1e4), r.IntN(1000)),
			fmt.Sprintf("GPRMC,%06d,A,5213.0000,N,00021.0000,E,022.4,084.4,2303%02d,003.1,W", 92750+i, r.IntN(100)),
			"GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
			fmt.Sprintf("GPVTG,%05.1f,T,034.4,M,005.5,N,010.2,K", 360*r.Float64()),
		} {
			sum := byte(0)
			for _, c := range []byte(s) {
				sum ^= c
			}
			nmea += fmt.Sprintf("$%s*%02X\r\n", s, sum)
		}
	}
	modem := ""
	for range 10 {
		for _, s := range []string{"ATZ", "OK", "AT+CSQ", fmt.Sprintf("+CSQ: %d,99", r.IntN(32)), "OK", "ATDT5550123456", "NO CARRIER", "RING", "AT&F0S0=1", "ERROR"} {
			modem += s + "\r\n"
		}
	}
	figures := ""
	for range 20 {
		figures += fmt.Sprintf("%+.4E\r\n%d\r\n%.3f V\r\n", r.Float64(), r.IntN(1e7), 100*r.Float64())
	}
	stamps := ""
	for i := range 20 {
		stamps += fmt.Sprintf("20261125T0203%02d.%09d\r\n", i, r.IntN(1e9))
	}
	return map[string][]byte{"time stamps": []byte(stamps), "random": random, "NMEA 0183": []byte(nmea), "modem": []byte(modem), "figures in text": []byte(figures),
		"NUL": make([]byte, 200), "all ones": slices.Repeat([]byte{0xFF}, 200), "U": slices.Repeat([]byte("U"), 200)}
}

// What the formats demand of random bytes, and of bytes that come as often as in
// the meter's own stream, in bits a frame. For those listed the least that must be
// found is worked out by hand from what every frame has.
func TestDemandsOfFormats(t *testing.T) {
	least := map[string]float64{
		"fs9721":  14 * 4,               // the position in each byte
		"dtm0660": 15 * 4,               // likewise
		"es51922": 12*3 + 2*7,           // 011xxxx, CR and LF, the eighth bit free
		"es51986": 9*3 + 2*7,            // likewise
		"fs9922":  7 + 4*4 + 8 + 6 + 16, // sign, four of 16 characters, space, one of four points, CR LF
	}
	var everyByte []byte
	for b := range 256 {
		everyByte = append(everyByte, byte(b))
	}
	for _, c := range captures(t) {
		if !strings.HasSuffix(c.name, "/bias-across-1-ohm") {
			continue
		}
		f, err := catalogue.Find(c.format)
		if err != nil {
			t.Fatal(err)
		}
		random, length := acquire.Demands(f, c.frames[0], slices.Repeat(everyByte, 1000))
		own, _ := acquire.Demands(f, c.frames[0], c.bytes())
		t.Logf("%-8s %2d bytes: %5.1f bits of random bytes, %5.1f of its own", f.Name, length, random, own)
		if length != len(c.frames[0]) || random < least[f.Name]-0.1 || own < 8 {
			t.Errorf("%s: %.1f bits in %d bytes, want at least %.0f in %d", f.Name, random, length, least[f.Name], len(c.frames[0]))
		}
	}
}

// tally is a row of the confusion matrix.
type tally map[string]int

// count notes what is recognised in bytes with at least even odds.
func (y tally) count(bytes []byte, formats []drivers.Format) acquire.Guess {
	y["trials"]++
	guesses := acquire.Weigh(formats, bytes)
	if len(guesses) == 0 || guesses[0].Confidence < 0.5 {
		y["nothing"]++
		return acquire.Guess{}
	}
	y[guesses[0].Format.Name]++
	return guesses[0]
}

// The confusion matrix: what is recognised at one line setting, in 20 frames of
// each capture as it is, joined at every byte, and with 1 % and 5 % of the bytes
// replaced at random; in what is no meter; and in each capture as a port at a
// wrong setting hears it.
func TestConfusion(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 1))
	formats := catalogue.All()
	formats = slices.DeleteFunc(formats, func(f drivers.Format) bool { return f.Plain() == nil })
	rows := map[string]tally{}
	row := func(name string) tally {
		if rows[name] == nil {
			rows[name] = tally{}
		}
		return rows[name]
	}
	mistakes := 0
	right := func(name string, c capture, bytes []byte, atLeast float64) {
		if g := row(name).count(bytes, formats); g.Format.Name != c.format || g.Confidence < atLeast {
			mistakes++
			t.Errorf("%s, %s: recognised %q, %.3f", c.name, name, g.Format.Name, g.Confidence)
		}
	}
	nothing := func(name string, bytes []byte) {
		if g := row(name).count(bytes, formats); g.Confidence != 0 {
			mistakes++
			t.Errorf("%s: recognised %q, %.3f, in %q", name, g.Format.Name, g.Confidence, bytes)
		}
	}
	for _, c := range captures(t) {
		stream := c.twenty(t)
		first := c.bytes()[:min(len(c.bytes()), 8*len(c.frames[0]))] // frames enough to join in
		joined := slices.Concat(first, stream)
		for offset := range first {
			right(c.format+", joined anywhere", c, joined[offset:], c.atLeast())
		}
		for range 20 {
			right(c.format+", 1 % corrupted", c, corrupted(random, joined[random.IntN(len(first)):], 0.01), min(c.atLeast(), 0.95))
			if !c.damaged() {
				right(c.format+", 5 % corrupted", c, corrupted(random, joined[random.IntN(len(first)):], 0.05), 0.5)
			}
		}
		for _, speed := range []int{600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200} {
			for _, frame := range []string{"8N1", "7E1", "7O1", "7N1", "8E1"} {
				l, err := port.ParseLine(fmt.Sprint(speed, " ", frame))
				if err != nil {
					t.Fatal(err)
				}
				heard := emulate.Receive(emulate.Transmit(stream, c.line), l)
				if speed != c.line.Baud {
					nothing(c.format+", wrong speed", heard)
				} else if g := row(c.format+", wrong bits or parity").count(heard, formats); g.Confidence > 0 && g.Format.Name != c.format {
					mistakes++
					t.Errorf("%s at %v: recognised %q", c.name, l, g.Format.Name)
				}
			}
		}
	}
	for range 150 {
		for name, bytes := range strangers(random) {
			nothing(name, bytes)
		}
	}

	columns := []string{"trials"}
	for _, f := range formats {
		columns = append(columns, f.Name)
	}
	columns = append(columns, "nothing")
	var b strings.Builder
	fmt.Fprintf(&b, "%-32s", "recognised as:")
	for _, c := range columns {
		fmt.Fprintf(&b, "%9s", c)
	}
	trials := 0
	for _, name := range sorted(rows) {
		fmt.Fprintf(&b, "\n%-32s", name)
		for _, c := range columns {
			fmt.Fprintf(&b, "%9d", rows[name][c])
		}
		trials += rows[name]["trials"]
	}
	t.Logf("%d mistakes in %d trials\n%s", mistakes, trials, &b)
	if trials < 3000 {
		t.Errorf("%d trials: too few for the confidence that is claimed", trials)
	}
}

func sorted(rows map[string]tally) []string {
	var names []string
	for name := range rows {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}
