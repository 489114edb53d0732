package catalogue

import (
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"nightsoak/drivers"
)

// The campaign measures how the listening formats of fixed length come through
// a bad line: of frames that arrive intact, how many are delivered, and how many
// readings come out that nobody sent.
//
// # What is unavoidable
//
// These formats have no checksum. A decoder that delivers every intact frame
// must deliver whatever bytes in a row are, byte for byte, a frame that a meter
// could send: it cannot know that they are not one. So each such window of the
// received stream that is no sent frame is an invented reading which the
// format's own redundancy makes unavoidable. They are counted with a second
// description of the formats, the grammars below, written apart from the
// decoders; a window that overlaps one counted before it is left out, as a
// decoder leaves out what it has used. No decoder may invent more than 1.2 times
// that, and each must deliver at least 99 % of the intact frames. (It may invent
// less: es51922 and es51986 refuse a line that is too long as long as the line
// is good otherwise, at the price of a few intact frames.)
//
// # In closed form
//
// At a low rate p nearly all such windows come of one event in one frame of n
// bytes, so their number can be computed, and the count is held against it. Two
// events in one frame add a share of about n p to that.
//
//   - A byte replaced by a random one (a byte lost and another in its place)
//     still makes a frame with probability v/256, where v is the number of byte
//     values that do in that place, the one sent left out. One frame gives
//     p (1-p)^(n-1) Σ v/256. In a format that numbers its bytes, 1 in 16 has the
//     right number.
//   - A byte put in between leaves n+1 bytes; its windows are the first n and
//     the last n of them: p (1-p)^(n-2) Σ v/256, over the n-1 gaps within the
//     frame. In a format that numbers its bytes only the first and the last gap
//     count: the strange byte must stand for the first or the last one.
//   - A byte sent twice likewise, with one byte value instead of 256.
//   - Loss alone makes no window of two frames that belong together byte by byte
//     but by losing n bytes in a row, from byte i of one to byte i of the next:
//     (n-1) q^n a frame, which is none. That does not hold where nothing tells
//     one character from the next, es51922 and es51986: there the end of one
//     frame and most of the next make a window as soon as the line end between
//     them is lost, and the count stands alone.
type grammar struct {
	len      int
	bits     byte                // the bits of a byte that count
	digits   [2]int              // where the digits stand
	numbered bool                // each byte tells its place, or comes near to it
	valid    func(w []byte) bool // whether these len bytes are a frame
}

var grammars = map[string]grammar{
	"fs9721":  {14, 0xFF, [2]int{1, 9}, true, func(w []byte) bool { return display(w, false) }},
	"dtm0660": {15, 0xFF, [2]int{1, 9}, true, func(w []byte) bool { return display(w, true) }},
	"fs9922":  {14, 0xFF, [2]int{1, 5}, true, signed},
	"es51922": {14, 0x7F, [2]int{1, 6}, false, fiveDigits},
	"es51986": {11, 0x7F, [2]int{1, 5}, false, fourDigits},
}

// sets are the symbols of unit, prefix and test that make sense together, as
// numbers: layout names the symbols from the highest bit down. b is the
// continuity test, d the diode test, H hertz, g the gain, C and f the degrees.
func sets(layout, known string) map[uint32]bool {
	names := []rune(layout)
	m := map[uint32]bool{}
	for set := range strings.FieldsSeq(known) {
		var n uint32
		for i, c := range names {
			if strings.ContainsRune(set, c) {
				n |= 1 << (len(names) - 1 - i)
			}
		}
		m[n] = true
	}
	return m
}

const units = "V mV Vd mVd A mA µA Ω kΩ MΩ Ωb kΩb MΩb H kH MH F nF µF mF %"

var (
	onDisplay = sets("µnkdm%MbFΩ..AVH.", units+" d b")
	inText    = sets("......n.µmkMbd%.VAΩgHFCf", units+" C f g")
	segments  = map[byte]byte{ // e f a d c g b
		0x7D: '0', 0x05: '1', 0x5B: '2', 0x1F: '3', 0x27: '4', 0x3E: '5', 0x7E: '6', 0x15: '7', 0x7F: '8', 0x3F: '9',
		0x68: 'L', 0x00: ' ',
	}
)

// display is the grammar of the chips that number their bytes in the high
// nibble; the low ones are upward where bit 0 comes first.
func display(w []byte, upward bool) bool {
	var low [16]byte // by number
	for i := len(w) - 1; i >= 0; i-- {
		if int(w[i]>>4) != i+1 {
			return false
		}
		low[i+1] = w[i] & 15
		if upward {
			low[i+1] = bits.Reverse8(w[i]) >> 4
		}
	}
	var shown [4]byte
	points := 0
	for i := range shown {
		hi, lo := low[2+2*i], low[3+2*i]
		shown[i] = segments[hi&7<<4|lo]
		if i > 0 && hi&8 != 0 {
			points++
		}
	}
	figure := strings.TrimLeft(string(shown[:]), " ")
	number := figure != "" && strings.Trim(figure, "0123456789") == ""
	if low[1]>>2 == 0b11 || points > 1 || !number && strings.TrimRight(figure, " ") != "0L" {
		return false
	}
	set := uint32(low[10])<<12 | uint32(low[11])<<8 | uint32(low[12]&^3)<<4 | uint32(low[13]&^1)
	if !upward {
		return onDisplay[set] || set == 0 && low[14]&4 != 0
	}
	switch low[14] { // °F, °C, hFE, unused
	case 0:
		return onDisplay[set]
	case 8, 4, 2:
		return set == 0
	}
	return false
}

// signed is the grammar of fs9922.
func signed(w []byte) bool {
	digits := string(w[1:5])
	return string(w[12:]) == "\r\n" && (w[0] == '+' || w[0] == '-') &&
		(digits == "?0:?" || strings.Trim(digits, "0123456789") == "") &&
		w[5] == ' ' && strings.IndexByte("0124", w[6]) >= 0 &&
		w[7] < 0x40 && w[7]&0x18 != 0x18 &&
		inText[uint32(w[8]&2)<<16|uint32(w[9]&^1)<<8|uint32(w[10])]
}

// characters says whether w is a line of characters 011xxxx, the places from 1
// to digits being digits; c gives their low four bits.
func characters(w []byte, digits int) (c [12]byte, ok bool) {
	n := len(w) - 2
	if w[n+1]&0x7F != '\n' || w[n]&0x7F != '\r' {
		return c, false
	}
	for i := range n {
		c[i] = w[i] & 15
		if w[i]>>4&7 != 3 || 1 <= i && i <= digits && c[i] > 9 {
			return c, false
		}
	}
	return c, true
}

// The grammars of es51922 and es51986: which range codes a function has, then
// the bits of status and options that exclude each other or are always clear.
func fiveDigits(w []byte) bool {
	c, ok := characters(w, 5)
	function, status := c[6], c[7]
	if c[10]&1 != 0 && strings.IndexByte("\x00\x09\x0B\x0D\x0F", function) >= 0 { // VAHZ
		function = 2
	}
	ranges := [16]int{0: 1, 1: 1, 2: 8, 3: 7, 4: 1, 5: 1, 6: 8, 9: 5, 0xB: 5, 0xD: 2, 0xF: 2}[function]
	return ok && int(c[0]) < ranges &&
		!(function == 2 && c[0] == 2 && status&8 == 0) && // unused, but for duty cycle
		!(status&1 != 0 && c[9]&8 != 0) && c[9]&1 == 0 && c[11]&8 == 0
}

func fourDigits(w []byte) bool {
	c, ok := characters(w, 4)
	function, status := c[5], c[6]
	if c[7]&1 != 0 && strings.IndexByte("\x00\x09\x0B\x0D\x0F", function) >= 0 { // VAHZ
		function = 2
	}
	ranges := [16]int{0: 1, 1: 1, 2: 6, 3: 6, 5: 1, 6: 8, 9: 4, 0xB: 5, 0xD: 2, 0xF: 2}[function]
	return ok && int(c[0]) < ranges && !(function == 2 && status&8 != 0) && c[7]&2 == 0
}

// pool is frames to send: golden ones, with the digits of others.
func (g grammar) pool(t *testing.T, format string, rng *rand.Rand) (frames [][]byte) {
	t.Helper()
	var golden [][]byte
	for _, c := range allCaptures(t) {
		if c.Format == format && c.Name == "every-symbol" {
			golden = slices.Collect(slices.Chunk(c.Bytes(), g.len))
		}
	}
	for _, f := range golden {
		if !g.valid(f) {
			t.Fatalf("the grammar of %s does not know the golden frame % X", format, f)
		}
	}
	for len(frames) < 128 {
		f := slices.Clone(golden[rng.IntN(len(golden))])
		copy(f[g.digits[0]:g.digits[1]], golden[rng.IntN(len(golden))][g.digits[0]:])
		if g.valid(f) {
			frames = append(frames, f)
		}
	}
	return frames
}

// damage is the rates of what can happen to a byte, at most one of them.
type damage struct{ lose, insert, twice, replace float64 }

var damages = []struct {
	name string
	at   func(p float64) damage
}{
	{"lost", func(p float64) damage { return damage{lose: p} }},
	{"put in", func(p float64) damage { return damage{insert: p} }},
	{"twice", func(p float64) damage { return damage{twice: p} }},
	{"replaced", func(p float64) damage { return damage{replace: p} }},
	{"all four", func(p float64) damage { return damage{p / 4, p / 4, p / 4, p / 4} }},
}

// received is what arrives of some frames, and where each byte is from.
type received struct {
	bytes []byte
	from  []int32 // number of the frame sent × 16 + place in it; stranger for no frame
}

const stranger = -1

func (r *received) add(c byte, from int32) {
	r.bytes, r.from = append(r.bytes, c), append(r.from, from)
}

// send sends n frames of the pool, which it names, over a bad line.
func (r *received) send(n int, pool [][]byte, d damage, rng *rand.Rand) (sent []int) {
	r.bytes, r.from = r.bytes[:0], r.from[:0]
	for i := range n {
		sent = append(sent, rng.IntN(len(pool)))
		for place, c := range pool[sent[i]] {
			u := rng.Uint64()
			from, random := int32(i<<4|place), byte(u)
			switch x := float64(u>>11) / (1 << 53); {
			case x < d.lose:
			case x < d.lose+d.insert:
				r.add(random, stranger)
				r.add(c, from)
			case x < d.lose+d.insert+d.twice:
				r.add(c, from)
				r.add(c, from)
			case x < d.lose+d.insert+d.twice+d.replace:
				r.add(random, stranger)
			default:
				r.add(c, from)
			}
		}
	}
	return sent
}

// outcome counts.
type outcome struct {
	frames, intact, delivered    int // sent, arrived intact, and read of those
	readings, invented, inherent int // read at all, not sent, and windows that nobody sent
}

// campaign sends frames in sessions, each to a new decoder that joins in anywhere.
func (g grammar) campaign(t *testing.T, format string, pool [][]byte, d damage, frames int, rng *rand.Rand) (o outcome) {
	t.Helper()
	const session = 1000
	var r received
	for o.frames < frames {
		o.frames += session
		sent := r.send(session, pool, d, rng)
		begin := rng.IntN(g.len)
		dec := decoder(t, format)
		emitted, used := 0, 0 // used: behind the last window counted
		emit := func(drivers.Reading) { emitted++ }
		for end := begin + 1; end <= len(r.bytes); end++ {
			emitted = 0
			dec.Feed(r.bytes[end-1:end], emit)
			o.readings += emitted
			start := end - g.len
			if start < begin {
				if emitted > 0 {
					t.Fatalf("%s reads % X, which is less than a frame", format, r.bytes[begin:end])
				}
				continue
			}
			w, from := r.bytes[start:end], r.from[start:end]
			if !g.valid(w) {
				if emitted > 0 {
					t.Fatalf("%s reads % X, which is no frame", format, w)
				}
				continue
			}
			intact, asSent := true, false
			if i := slices.IndexFunc(from, func(f int32) bool { return f != stranger }); i >= 0 {
				frame := from[i] >> 4
				asSent = true
				for place, f := range from {
					whole := f == frame<<4|int32(place)
					intact = intact && whole
					asSent = asSent && (whole || f == stranger && (w[place]^pool[sent[frame]][place])&g.bits == 0)
				}
			}
			intact = intact && asSent
			if intact {
				o.intact++
				o.delivered += emitted
			}
			if !asSent {
				o.invented += emitted
				if start >= used {
					o.inherent++
				}
			}
			used = max(used, end)
		}
	}
	return o
}

// expected is how many windows that nobody sent one frame gives: see the closed
// forms above. NaN where there is none for that damage.
func (g grammar) expected(pool [][]byte, d damage) float64 {
	n := float64(g.len)
	switch d {
	case damage{lose: d.lose}:
		if g.numbered {
			return (n - 1) * math.Pow(d.lose, n)
		}
	case damage{replace: d.replace}:
		return d.replace * math.Pow(1-d.replace, n-1) * g.strange(pool, 1, 256) / 256
	case damage{insert: d.insert}:
		return d.insert * math.Pow(1-d.insert, n-2) * g.strange(pool, 0, 256) / 256
	case damage{twice: d.twice}:
		return d.twice * math.Pow(1-d.twice, n-1) * g.strange(pool, 0, 1)
	}
	return math.NaN()
}

// strange is Σ v of a frame of the pool, on average: how many windows that
// nobody sent come of all the ways to put a byte of so many values (one: what
// stands there) in front of another, or instead of it.
func (g grammar) strange(pool [][]byte, instead, values int) float64 {
	n := 0
	var arrived []byte
	for _, f := range pool {
		for i, was := range f {
			arrived = append(append(append(arrived[:0], f[:i]...), was), f[i+instead:]...)
			for c := range values {
				if values > 1 {
					arrived[i] = byte(c)
				}
				for start := range len(arrived) - g.len + 1 {
					if w := arrived[start : start+g.len]; g.valid(w) && !g.same(w, f) {
						n++
					}
				}
			}
		}
	}
	return float64(n) / float64(len(pool))
}

// same says whether two frames mean the same.
func (g grammar) same(a, b []byte) bool {
	for i := range a {
		if (a[i]^b[i])&g.bits != 0 {
			return false
		}
	}
	return true
}

// TestCampaign: see [grammar]. With NIGHTSOAK_LONG=1 it takes 400 000 frames
// of each kind and rate of damage for each format, else 20 000.
func TestCampaign(t *testing.T) {
	frames := 20_000
	if os.Getenv("NIGHTSOAK_LONG") == "1" {
		frames = 400_000
	}
	for _, format := range All() {
		g, ok := grammars[format.Name]
		if !ok {
			continue
		}
		t.Run(format.Name, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(3, uint64(g.len)))
			pool := g.pool(t, format.Name, rng)
			var table strings.Builder
			row := func(cells ...any) { fmt.Fprintf(&table, "\n%-9s %5v %8v %10v %9v %9v %9v %6v", cells...) }
			row("bytes", "rate", "intact", "delivered", "invented", "inherent", "computed", "ratio")
			for _, kind := range damages {
				for _, p := range []float64{0.01, 0.05, 0.20} {
					d := kind.at(p)
					o := g.campaign(t, format.Name, pool, d, frames, rng)
					ratio, computed := "-", "-"
					if o.inherent > 0 {
						ratio = fmt.Sprintf("%.2f", float64(o.invented)/float64(o.inherent))
					}
					if want := g.expected(pool, d) * float64(o.frames); p == 0.01 && !math.IsNaN(want) {
						computed = fmt.Sprintf("%.1f", want)
						// Four standard deviations, and what is of second order in p.
						if off := math.Abs(float64(o.inherent) - want); off > 4*math.Sqrt(want)+want*p*float64(g.len) {
							t.Errorf("%s at %v: %d windows that nobody sent, computed %s", kind.name, p, o.inherent, computed)
						}
					}
					delivered := float64(o.delivered) / float64(o.intact)
					row(kind.name, p, o.intact, fmt.Sprintf("%.2f %%", 100*delivered), o.invented, o.inherent, computed, ratio)
					if !(delivered >= 0.99) {
						t.Errorf("%s at %v: delivered %d of %d frames that arrived intact, want 99 %%", kind.name, p, o.delivered, o.intact)
					}
					if float64(o.invented) > 1.2*float64(o.inherent) {
						t.Errorf("%s at %v: %d readings that nobody sent, and %d are unavoidable", kind.name, p, o.invented, o.inherent)
					}
				}
			}
			t.Logf("of %d frames each%s", frames, table.String())
		})
	}
}
