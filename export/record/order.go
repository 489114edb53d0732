package record

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// The order in which the readings of a sealed stretch arrived is the truth for
// replay. Their times tell nearly all of it, and the rest is kept:
//
//	byte     orderFormat
//	frame    uvarint count of holes: stretches of numbers that are no readings, but acts or lost;
//	         each: uvarint numbers since the last hole, uvarint numbers in it
//	         byte 0: as the times say, at one time the lower meter first, with exceptions:
//	           uvarint count; each: uvarint readings since the last exception began,
//	           uvarint readings in it, and for each uvarint meter
//	         byte 1: for each reading uvarint meter
const orderFormat = 1

// order is the order of a stretch.
type order struct {
	holes  []hole
	odd    []exception
	meters []int // per reading, when the times do not tell; else nil
}

// hole is n numbers, from the at-th of the stretch on, that are no readings.
type hole struct{ at, n int64 }

// exception is where readings of one time did not arrive in the order of their
// meters: from the at-th reading on.
type exception struct {
	at     int
	meters []int
}

// arrived is one reading on its way into a seal.
type arrived struct {
	seq   int64
	meter int
	Sample
}

// orderOf is the order of readings sorted by number, the first number of the
// stretch being first.
func orderOf(in []arrived, first int64) (o order) {
	next := first
	for i := range in {
		if in[i].seq > next {
			o.holes = append(o.holes, hole{next - first, in[i].seq - next})
		}
		next = in[i].seq + 1
	}
	for i := 1; i < len(in); i++ {
		if in[i].T < in[i-1].T {
			for i := range in {
				o.meters = append(o.meters, in[i].meter)
			}
			return o
		}
	}
	for i := 0; i < len(in); {
		j, sorted := i+1, true
		for j < len(in) && in[j].T == in[i].T {
			sorted = sorted && in[j].meter >= in[j-1].meter
			j++
		}
		if !sorted {
			e := exception{at: i}
			for k := range in[i:j] {
				e.meters = append(e.meters, in[i+k].meter)
			}
			o.odd = append(o.odd, e)
		}
		i = j
	}
	return o
}

func (o *order) encode() []byte {
	b := binary.AppendUvarint(nil, uint64(len(o.holes)))
	last := int64(0)
	for _, h := range o.holes {
		b = binary.AppendUvarint(b, uint64(h.at-last))
		b = binary.AppendUvarint(b, uint64(h.n))
		last = h.at + h.n
	}
	if o.meters != nil {
		b = append(b, 1)
		for _, m := range o.meters {
			b = binary.AppendUvarint(b, uint64(m))
		}
	} else {
		b = append(b, 0)
		b = binary.AppendUvarint(b, uint64(len(o.odd)))
		at := 0
		for _, e := range o.odd {
			b = binary.AppendUvarint(b, uint64(e.at-at))
			b = binary.AppendUvarint(b, uint64(len(e.meters)))
			for _, m := range e.meters {
				b = binary.AppendUvarint(b, uint64(m))
			}
			at = e.at
		}
	}
	return zstdCoder().EncodeAll(b, []byte{orderFormat})
}

// decodeOrder reads the order of n readings.
func decodeOrder(b []byte, n int) (o order, err error) {
	c := column{b: b}
	if f := c.byte(); f != orderFormat {
		return o, fmt.Errorf("%w: order format %d, this program knows %d", errBlock, f, orderFormat)
	}
	if c.b, err = zstdDecoder().DecodeAll(c.b, nil); err != nil {
		return o, fmt.Errorf("%w: order: %w", errBlock, err)
	}
	last := int64(0)
	for range c.count(maxStretch) {
		skip, size := c.uvarint(), c.uvarint()
		if c.bad || skip > 1<<seqBits || size > 1<<seqBits || last > 1<<seqBits {
			return o, fmt.Errorf("%w: holes of its order", errBlock)
		}
		h := hole{last + int64(skip), int64(size)}
		o.holes = append(o.holes, h)
		last = h.at + h.n
	}
	meter := func() int {
		m := c.uvarint()
		c.bad = c.bad || m > math.MaxInt32
		return int(m & math.MaxInt32)
	}
	switch c.byte() {
	case 0:
		at := 0
		for range c.count(n) {
			e := exception{at: at + c.count(n)}
			for range c.count(n - min(e.at, n)) {
				e.meters = append(e.meters, meter())
			}
			if c.bad {
				break
			}
			o.odd = append(o.odd, e)
			at = e.at
		}
	case 1:
		o.meters = make([]int, 0, n)
		for range n {
			o.meters = append(o.meters, meter())
		}
	default:
		c.bad = true
	}
	if !c.end() {
		return o, fmt.Errorf("%w: its order is not of %d readings", errBlock, n)
	}
	return o, nil
}

// track is the readings of one meter that are still to come.
type track struct {
	meter int
	rest  []Sample
}

// replay yields the tracks' readings in the order they arrived, each with its
// place among the numbers of the stretch. It stops early when yield says so,
// and fails when order and tracks do not belong together.
func (o *order) replay(tracks []track, yield func(at int64, meter int, s *Sample) bool) error {
	slices.SortFunc(tracks, func(a, b track) int { return a.meter - b.meter })
	at := int64(0) // number, from the first of the stretch
	holes, odd := o.holes, o.odd
	for i := 0; ; i++ {
		for len(holes) > 0 && holes[0].at == at {
			at += holes[0].n
			holes = holes[1:]
		}
		var from *track
		if len(odd) > 0 && i >= odd[0].at+len(odd[0].meters) {
			odd = odd[1:]
		}
		switch {
		case o.meters != nil && i < len(o.meters):
			from = find(tracks, o.meters[i])
		case o.meters != nil: // all of them came
		case len(odd) > 0 && i >= odd[0].at:
			from = find(tracks, odd[0].meters[i-odd[0].at])
		default:
			for k := range tracks {
				t := &tracks[k]
				if len(t.rest) > 0 && (from == nil || t.rest[0].T < from.rest[0].T) {
					from = t
				}
			}
		}
		if from == nil || len(from.rest) == 0 {
			break
		}
		if !yield(at, from.meter, &from.rest[0]) {
			return nil
		}
		from.rest = from.rest[1:]
		at++
	}
	for k := range tracks {
		if len(tracks[k].rest) > 0 {
			return fmt.Errorf("%w: its order does not belong to its blocks", errBlock)
		}
	}
	return nil
}

func find(tracks []track, meter int) *track {
	if i, ok := slices.BinarySearchFunc(tracks, meter, func(t track, m int) int { return t.meter - m }); ok {
		return &tracks[i]
	}
	return nil
}
