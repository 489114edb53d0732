// Package chart is the one place that draws a trace: a bounded record of a
// quantity over time that never hides a spike, and its drawing as plain SVG.
package chart

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"
)

// Series is the envelope of a quantity over run time in bounded memory: the
// least and the greatest value of each stretch. Stretches start at 1 s; when
// more than the limit of them are in use, neighbours are merged and the width
// doubles, so extremes survive however long the run. Where nothing was known
// the series has a break, and so it has after 1 min of silence; merging keeps
// it.
//
// A Series is not safe for concurrent use; Clone one to hand it on.
type Series struct {
	width   time.Duration
	buckets []bucket // in order, none empty; capacity is the limit
	open    bool     // the last bucket may be continued: no break since
}

// gapAfter is the longest silence between two values that still counts as one
// unbroken line.
const gapAfter = time.Minute

// bucket is one stretch that holds at least one value.
type bucket struct {
	first, last time.Duration // run time of its first and last value
	min, max    float64
	broken      bool // a break stands before or within it
}

// NewSeries makes an empty series of at most limit stretches; at least 2. Its
// memory is taken here, 40 bytes a stretch: Add never allocates.
func NewSeries(limit int) *Series { return NewFineSeries(limit, time.Second) }

// NewFineSeries is NewSeries with stretches that start at width, at least 1 ms:
// for a look at so little of a run that a second is long.
func NewFineSeries(limit int, width time.Duration) *Series {
	return &Series{width: max(width, time.Millisecond), buckets: make([]bucket, 0, max(limit, 2))}
}

// Add takes a value, in the SI unit or as a ratio, at run time t. Times must
// not go back: an earlier one counts as the latest. A value that is not a
// finite number counts as Break. It takes constant time on average.
func (s *Series) Add(t time.Duration, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		s.Break()
		return
	}
	t = max(t, 0)
	if n := len(s.buckets); n > 0 {
		b := &s.buckets[n-1]
		t = max(t, b.last)
		if t-b.last > gapAfter {
			s.open = false
		}
		if t/s.width == b.first/s.width {
			b.last, b.min, b.max = t, min(b.min, v), max(b.max, v)
			b.broken = b.broken || !s.open
			s.open = true
			return
		}
		for len(s.buckets) == cap(s.buckets) {
			s.merge()
		}
	}
	// After a merge the value may belong to the last bucket: it is then merged
	// into it at the next doubling, and order is all that the rest relies on.
	s.buckets = append(s.buckets, bucket{first: t, last: t, min: v, max: v, broken: !s.open})
	s.open = true
}

// Break says that the quantity is not known now: no line is drawn from the last
// value to the next.
func (s *Series) Break() { s.open = false }

// merge doubles the width and joins the buckets that now fall together.
func (s *Series) merge() {
	s.width *= 2
	kept := s.buckets[:1]
	for _, b := range s.buckets[1:] {
		k := &kept[len(kept)-1]
		if b.first/s.width != k.first/s.width {
			kept = append(kept, b)
			continue
		}
		k.join(&b)
	}
	s.buckets = kept
}

// join takes the bucket that follows into b.
func (b *bucket) join(next *bucket) {
	b.last, b.min, b.max = next.last, min(b.min, next.min), max(b.max, next.max)
	b.broken = b.broken || next.broken
}

// Clone is a copy that shares nothing with s.
func (s *Series) Clone() *Series {
	c := *s
	c.buckets = append(make([]bucket, 0, cap(s.buckets)), s.buckets...)
	return &c
}

// Width is how long the stretches are.
func (s *Series) Width() time.Duration { return s.width }

// Cut is a copy of what lies between two run times, in at most about n
// stretches; as in s, none of its values is hidden.
func (s *Series) Cut(from, to time.Duration, n int) *Series {
	c := &Series{width: s.width, open: s.open, buckets: make([]bucket, 0, 2)}
	for to-from > time.Duration(max(n, 1))*c.width {
		c.width *= 2
	}
	i, _ := slices.BinarySearchFunc(s.buckets, from, func(b bucket, t time.Duration) int { return cmp.Compare(b.last, t) })
	for ; i < len(s.buckets) && s.buckets[i].first <= to; i++ {
		b, last := s.buckets[i], len(c.buckets)-1
		if last < 0 || b.first/c.width != c.buckets[last].first/c.width {
			c.buckets = append(c.buckets, b)
			continue
		}
		c.buckets[last].join(&b)
	}
	return c
}

// Last is the run time up to which the series holds values; ok is false when it has none.
func (s *Series) Last() (t time.Duration, ok bool) {
	if s == nil || len(s.buckets) == 0 {
		return 0, false
	}
	return s.buckets[len(s.buckets)-1].last, true
}

// Point is the envelope of a stretch of time, or a break in the line.
type Point struct {
	T        time.Duration // the middle of the values' times; at a break, when the line stopped
	Min, Max float64       // every value of the stretch lies between; 0 at a break
	Break    bool          // the quantity was not known from here to the next point
}

// Points is the envelope between two run times in at most n points, and the
// breaks between them. Every value in the stretch lies within a point. A break
// shorter than a point's stretch stands before that point.
func (s *Series) Points(from, to time.Duration, n int) iter.Seq[Point] {
	return func(yield func(Point) bool) {
		if s == nil || n <= 0 || to <= from {
			return
		}
		column := func(b *bucket) int64 {
			mid := min(max(b.first+(b.last-b.first)/2, from), to) - from
			return min(int64(float64(mid)/float64(to-from)*float64(n)), int64(n-1))
		}
		i := slices.IndexFunc(s.buckets, func(b bucket) bool { return b.last >= from })
		if i < 0 {
			return
		}
		stopped, started := from, false
		for i < len(s.buckets) && s.buckets[i].first <= to {
			sum, c := s.buckets[i], column(&s.buckets[i])
			for i++; i < len(s.buckets) && s.buckets[i].first <= to && column(&s.buckets[i]) == c; i++ {
				sum.join(&s.buckets[i])
			}
			if started && sum.broken && !yield(Point{T: stopped, Break: true}) {
				return
			}
			mid := min(max(sum.first+(sum.last-sum.first)/2, from), to)
			if !yield(Point{T: mid, Min: sum.min, Max: sum.max}) {
				return
			}
			stopped, started = min(sum.last, to), true
		}
		if started && !s.open && i == len(s.buckets) {
			yield(Point{T: stopped, Break: true})
		}
	}
}

// bucketBytes is a bucket's length in MarshalBinary.
const bucketBytes = 33

// MarshalBinary is the series as bytes: its width, limit and whether it is
// open, then its stretches. It never fails.
func (s *Series) MarshalBinary() ([]byte, error) {
	b := make([]byte, 0, 13+bucketBytes*len(s.buckets))
	le := binary.LittleEndian
	b = append(le.AppendUint32(le.AppendUint64(b, uint64(s.width)), uint32(cap(s.buckets))), bit(s.open))
	for _, k := range s.buckets {
		for _, x := range [...]uint64{uint64(k.first), uint64(k.last), math.Float64bits(k.min), math.Float64bits(k.max)} {
			b = le.AppendUint64(b, x)
		}
		b = append(b, bit(k.broken))
	}
	return b, nil
}

func bit(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// UnmarshalBinary reads what MarshalBinary wrote. Bytes that no series can
// have written are an error that says where.
func (s *Series) UnmarshalBinary(b []byte) error {
	const most = 1 << 20 // stretches
	if len(b) < 13 || (len(b)-13)%bucketBytes != 0 {
		return fmt.Errorf("chart: a series of %d bytes: cut short", len(b))
	}
	le := binary.LittleEndian
	width, limit, n := time.Duration(le.Uint64(b)), int(le.Uint32(b[8:])), (len(b)-13)/bucketBytes
	if width < time.Second || limit < 2 || limit > most || n > limit || b[12] > 1 {
		return fmt.Errorf("chart: a series of %d stretches of %v, limit %d, byte 0: damaged", n, width, limit)
	}
	x := Series{width: width, open: b[12] == 1, buckets: make([]bucket, n, limit)}
	at := time.Duration(0)
	for i := range x.buckets {
		r, k := b[13+bucketBytes*i:], &x.buckets[i]
		k.first, k.last = time.Duration(le.Uint64(r)), time.Duration(le.Uint64(r[8:]))
		k.min, k.max = math.Float64frombits(le.Uint64(r[16:])), math.Float64frombits(le.Uint64(r[24:]))
		k.broken = r[32] == 1
		if k.first < at || k.last < k.first || !(k.min <= k.max) || math.IsInf(k.min, 0) || math.IsInf(k.max, 0) || r[32] > 1 {
			return fmt.Errorf("chart: a series' stretch %d, byte %d: damaged", i+1, 13+bucketBytes*i)
		}
		at = k.last
	}
	*s = x
	return nil
}
