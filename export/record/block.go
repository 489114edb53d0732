package record

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"nightsoak/drivers"
)

// Sample is one reading of one meter.
type Sample struct {
	T       time.Duration // run time, whole milliseconds
	Reading drivers.Reading
}

// A block is the readings of one meter over a stretch, compressed exactly:
//
//	byte     blockFormat
//	uvarint  bytes of the first zstd frame
//	frame    uvarint count of readings
//	         uvarint count of shapes; each: exp byte, prefix byte, uvarint flags, uvarint length of the SI unit, the unit
//	         uvarint count of runs; each: uvarint shape, uvarint readings that have it
//	         varint ms of the first reading; uvarint pace, ms / 1024
//	         for every further reading varint ms off the meter's grid
//	frame    byte gain; varint digits of the first reading
//	         for every further reading varint digits off what was expected
//
// Two frames, because the statistics of the two columns differ: in one, a
// reading took 5 % more. (varint and uvarint as in encoding/binary.)
const blockFormat = 1

// maxStretch is how many readings a block or a seal holds at most: a bound on
// what a hostile one can make us allocate.
const maxStretch = 1 << 17

// errBlock is the cause of every error of decodeBlock and decodeOrder.
var errBlock = errors.New("not as it was sealed")

// Frames carry no checksum: the row has one of its own. Matches are seldom
// found in noise, so the fastest level is also the smallest here; what counts
// is that literals are entropy-coded though nothing matches.
var zstdCoder = sync.OnceValue(func() *zstd.Encoder {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithAllLitEntropyCompression(true),
		zstd.WithEncoderCRC(false), zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<18), zstd.WithLowerEncoderMem(true))
	if err != nil {
		panic(err) // the options above are wrong: a programming error
	}
	return e
})

var zstdDecoder = sync.OnceValue(func() *zstd.Decoder {
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(maxStretch*32), zstd.WithDecoderMaxWindow(1<<20))
	if err != nil {
		panic(err) // as above
	}
	return d
})

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// shape is all of a reading but its digits: it seldom changes.
type shape struct {
	exp, prefix int8
	quantity    drivers.Quantity
	flags       drivers.Flags
}

func shapeOf(r *drivers.Reading) shape { return shape{r.Exp, r.Prefix, r.Quantity, r.Flags} }

// grid is a meter's own clock: what a reading's time is expected to be. It
// follows slowly, so that jitter passes and drift does not add up; readings
// that are missing move it on by whole paces. In 1/1024 ms; wrapping like all
// integers, so that any times come back exactly.
type grid struct{ at, pace int64 }

const gridFollows = 4 // by 1/16 of what a reading is off

// next is the expected time of the next reading, ms.
func (g *grid) next() int64 {
	g.at += g.pace
	return (g.at + 512) >> 10
}

// took tells the grid by how many ms the reading was off.
func (g *grid) took(off int64) {
	x := off << 10
	if half := g.pace / 2; g.pace > 0 && (x > half || x < -half) {
		if x < 0 {
			half = -half
		}
		n := (x + half) / g.pace
		g.at += n * g.pace
		x -= n * g.pace
	}
	g.at += x >> gridFollows
}

// level is the digits expected next: the last ones with gain 0, a mean of those
// before with more, which halves the noise of a display that only trembles.
type level struct {
	at   int64 // 1/256 digit
	gain uint
}

const maxGain = 3

func (l *level) next() int64 { return (l.at + 128) >> 8 }

func (l *level) took(digits int64) { l.at += (digits<<8 - l.at) >> l.gain }

// encodeBlock compresses at least one sample.
func encodeBlock(in []Sample) []byte {
	// What the meter's pace is: the mean of the intervals that are not gaps.
	steps := make([]int64, 0, len(in))
	for i := 1; i < len(in); i++ {
		steps = append(steps, (in[i].T - in[i-1].T).Milliseconds())
	}
	g := grid{at: in[0].T.Milliseconds() << 10}
	if len(steps) > 0 {
		slices.Sort(steps)
		usual := steps[len(steps)/2]
		var sum, n int64
		for _, d := range steps {
			if d > usual/2 && d < usual+usual/2 {
				sum += d
				n++
			}
		}
		if n > 0 && sum < 1<<50 {
			g.pace = sum << 10 / n
		}
	}

	var shapes []shape
	var runs []uint64 // shape, readings, shape, readings ...
	for i := range in {
		s := shapeOf(&in[i].Reading)
		if n := len(runs); n > 0 && shapes[runs[n-2]] == s {
			runs[n-1]++
			continue
		}
		k := slices.Index(shapes, s)
		if k < 0 {
			k = len(shapes)
			shapes = append(shapes, s)
		}
		runs = append(runs, uint64(k), 1)
	}
	b := binary.AppendUvarint(nil, uint64(len(in)))
	b = binary.AppendUvarint(b, uint64(len(shapes)))
	for _, s := range shapes {
		unit := s.quantity.SIUnit()
		b = append(b, byte(s.exp), byte(s.prefix))
		b = binary.AppendUvarint(b, uint64(s.flags))
		b = binary.AppendUvarint(b, uint64(len(unit)))
		b = append(b, unit...)
	}
	b = binary.AppendUvarint(b, uint64(len(runs)/2))
	for _, n := range runs {
		b = binary.AppendUvarint(b, n)
	}
	b = binary.AppendVarint(b, in[0].T.Milliseconds())
	b = binary.AppendUvarint(b, uint64(g.pace))
	for i := 1; i < len(in); i++ {
		off := in[i].T.Milliseconds() - g.next()
		b = binary.AppendVarint(b, off)
		g.took(off)
	}
	times := zstdCoder().EncodeAll(b, nil)

	out := append([]byte{blockFormat}, binary.AppendUvarint(nil, uint64(len(times)))...)
	out = append(out, times...)
	return zstdCoder().EncodeAll(encodeDigits(b[:0], in), out)
}

// encodeDigits appends the digits' column with the gain under which it is smallest.
func encodeDigits(b []byte, in []Sample) []byte {
	best, least := uint(0), math.Inf(1)
	for gain := range uint(maxGain + 1) {
		l := level{at: in[0].Reading.Digits << 8, gain: gain}
		sum := 0.0
		for i := 1; i < len(in); i++ {
			d := in[i].Reading.Digits
			sum += math.Abs(float64(d - l.next()))
			l.took(d)
		}
		if sum < least {
			best, least = gain, sum
		}
	}
	b = append(b, byte(best))
	b = binary.AppendVarint(b, in[0].Reading.Digits)
	l := level{at: in[0].Reading.Digits << 8, gain: best}
	for i := 1; i < len(in); i++ {
		d := in[i].Reading.Digits
		b = binary.AppendVarint(b, d-l.next())
		l.took(d)
	}
	return b
}

// column reads numbers; it stays at its end, with bad set, where there are no more.
type column struct {
	b   []byte
	bad bool
}

func (c *column) byte() byte {
	if len(c.b) == 0 {
		c.bad = true
		return 0
	}
	x := c.b[0]
	c.b = c.b[1:]
	return x
}

func (c *column) uvarint() uint64 {
	x, n := binary.Uvarint(c.b)
	if n <= 0 {
		c.bad, c.b = true, nil
		return 0
	}
	c.b = c.b[n:]
	return x
}

func (c *column) varint() int64 {
	u := c.uvarint()
	return int64(u>>1) ^ -int64(u&1)
}

// count is a number that must be at most most.
func (c *column) count(most int) int {
	n := c.uvarint()
	if n > uint64(most) {
		c.bad = true
		return 0
	}
	return int(n)
}

// end says whether all was read, and nothing was missing.
func (c *column) end() bool { return !c.bad && len(c.b) == 0 }

// blockReader decodes blocks; it keeps its memory from one to the next.
type blockReader struct {
	times, digits []byte
	out           []Sample
}

// decode is the samples of a block. They stay the reader's, until the next one.
func (r *blockReader) decode(block []byte) ([]Sample, error) {
	head := column{b: block}
	if f := head.byte(); f != blockFormat {
		return nil, fmt.Errorf("%w: block format %d, this program knows %d", errBlock, f, blockFormat)
	}
	n := head.count(len(block))
	if head.bad || n > len(head.b) {
		return nil, fmt.Errorf("%w: the block is cut off", errBlock)
	}
	var err error
	if r.times, err = zstdDecoder().DecodeAll(head.b[:n], r.times[:0]); err != nil {
		return nil, fmt.Errorf("%w: times: %w", errBlock, err)
	}
	if r.digits, err = zstdDecoder().DecodeAll(head.b[n:], r.digits[:0]); err != nil {
		return nil, fmt.Errorf("%w: digits: %w", errBlock, err)
	}
	c := column{b: r.times}
	n = c.count(maxStretch)
	if c.bad || n == 0 {
		return nil, fmt.Errorf("%w: it holds no readings, or more than %d", errBlock, maxStretch)
	}
	r.out = slices.Grow(r.out[:0], n)[:n]
	if err := r.shapes(&c); err != nil {
		return nil, err
	}
	t := c.varint()
	g := grid{at: t << 10, pace: int64(c.uvarint())}
	r.out[0].T = ms(t)
	for i := 1; i < len(r.out); i++ {
		var off int64
		if b := c.b; len(b) > 0 && b[0] < 0x80 { // nearly always one byte
			off, c.b = int64(b[0]>>1)^-int64(b[0]&1), b[1:]
		} else {
			off = c.varint()
		}
		r.out[i].T = ms(g.next() + off)
		g.took(off)
	}
	if !c.end() {
		return nil, fmt.Errorf("%w: its times are not %d", errBlock, n)
	}
	c = column{b: r.digits}
	l := level{gain: uint(c.byte())}
	if l.gain > maxGain {
		return nil, fmt.Errorf("%w: gain %d", errBlock, l.gain)
	}
	d := c.varint()
	l.at = d << 8
	r.out[0].Reading.Digits = d
	for i := 1; i < len(r.out); i++ {
		if b := c.b; len(b) > 0 && b[0] < 0x80 {
			d, c.b = l.next()+(int64(b[0]>>1)^-int64(b[0]&1)), b[1:]
		} else {
			d = l.next() + c.varint()
		}
		r.out[i].Reading.Digits = d
		l.took(d)
	}
	if !c.end() {
		return nil, fmt.Errorf("%w: its digits are not %d", errBlock, n)
	}
	return r.out, nil
}

// shapes fills in everything of r.out but times and digits.
func (r *blockReader) shapes(c *column) error {
	shapes := make([]drivers.Reading, c.count(len(r.out)))
	for i := range shapes {
		s := &shapes[i]
		s.Exp, s.Prefix = int8(c.byte()), int8(c.byte())
		flags := c.uvarint()
		s.Flags = drivers.Flags(flags)
		unit := c.count(16)
		if c.bad || unit > len(c.b) || flags > math.MaxUint16 {
			return fmt.Errorf("%w: shape %d is cut off", errBlock, i)
		}
		var err error
		if s.Quantity, err = quantity(string(c.b[:unit])); err != nil {
			return fmt.Errorf("%w: %w", errBlock, err)
		}
		c.b = c.b[unit:]
	}
	rest := r.out
	for range c.count(len(r.out)) {
		k, n := c.uvarint(), c.count(len(rest))
		if c.bad || k >= uint64(len(shapes)) {
			break
		}
		for i := range rest[:n] {
			rest[i].Reading = shapes[k]
		}
		rest = rest[n:]
	}
	if c.bad || len(rest) > 0 {
		return fmt.Errorf("%w: its runs are not of %d readings", errBlock, len(r.out))
	}
	return nil
}
