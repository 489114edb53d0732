package chart

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"
)

// timeSteps are the steps that a clock face knows.
var timeSteps = []time.Duration{
	time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 15 * time.Second, 30 * time.Second,
	time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
}

// timeStep is the smallest round step that gives at most n ticks over span.
func timeStep(span time.Duration, n int) time.Duration {
	least := span / time.Duration(max(n, 1))
	for _, s := range timeSteps {
		if s >= least {
			return s
		}
	}
	const day = 24 * time.Hour
	return (least + day - 1) / day * day
}

// Clock is a run time as axes and reports show it: h:mm.
func Clock(t time.Duration) string {
	t = t.Truncate(time.Minute)
	return fmt.Sprintf("%d:%02d", int(t.Hours()), int(t.Minutes())%60)
}

// ClockSeconds is a run time with its seconds: h:mm:ss.
func ClockSeconds(t time.Duration) string {
	t = t.Truncate(time.Second)
	return fmt.Sprintf("%s:%02d", Clock(t), int(t.Seconds())%60)
}

// valueStep is the smallest of 1, 2 or 5 times a power of ten that gives at
// most n steps over span, and the decimals it needs.
func valueStep(span float64, n int) (step float64, decimals int) {
	least := span / float64(max(n, 1))
	exp := int(math.Floor(math.Log10(least)))
	for ; ; exp++ {
		for _, m := range []float64{1, 2, 5} {
			if s := m * math.Pow10(exp); s >= least*(1-1e-9) {
				return s, max(-exp, 0)
			}
		}
	}
}

// spread moves things along a line so that they do not overlap, as little as
// possible in the sense of least squares, and keeps them within lo and hi when
// they fit. want are their middles, size their lengths; they keep the order of
// their starts.
func spread(want, size []float64, lo, hi float64) []float64 {
	order := make([]int, len(want))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(want[a]-size[a]/2, want[b]-size[b]/2)
	})
	// A block is a run of things that touch; its start is the mean of where its
	// members would have it (pooling adjacent violators).
	type block struct {
		start, sum, length float64
		n                  int
	}
	var blocks []block
	at := func(b block) float64 { return max(lo, min(b.start, hi-b.length)) }
	for _, i := range order {
		s := want[i] - size[i]/2
		b := block{start: s, sum: s, length: size[i], n: 1}
		for len(blocks) > 0 {
			p := blocks[len(blocks)-1]
			if at(p)+p.length <= at(b) {
				break
			}
			// In the joined block b's members start p.length later.
			b = block{sum: p.sum + b.sum - float64(b.n)*p.length, length: p.length + b.length, n: p.n + b.n}
			b.start = b.sum / float64(b.n)
			blocks = blocks[:len(blocks)-1]
		}
		blocks = append(blocks, b)
	}
	middles := make([]float64, len(want))
	k := 0
	for _, b := range blocks {
		x := at(b)
		for range b.n {
			i := order[k]
			middles[i] = x + size[i]/2
			x += size[i]
			k++
		}
	}
	return middles
}

// textWidth is about how wide text stands in a plain sans serif, pixels.
func textWidth(s string, size float64) float64 {
	em := 0.0
	for _, r := range s {
		if r >= 0x1100 {
			em++
		} else {
			em += 0.6
		}
	}
	return em * size
}

// number is a coordinate with at most one decimal.
func number(x float64) string { return string(appendNumber(nil, x)) }

// appendNumber is number, added to b.
func appendNumber(b []byte, x float64) []byte {
	// Whole tenths are sooner written than a float64; half a tenth goes to the
	// even one, as the standard library rounds.
	tenths := math.RoundToEven(x * 10)
	if !(math.Abs(tenths) < 1e15) {
		return strconv.AppendFloat(b, x, 'f', 1, 64)
	}
	n := int64(tenths)
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	b = strconv.AppendInt(b, n/10, 10)
	if n%10 != 0 {
		b = append(b, '.', byte('0'+n%10))
	}
	return b
}
