package acquire

import (
	"cmp"
	"math"
	"slices"

	"nightsoak/drivers"
)

// weigh tells how sure it is that bytes, all that came at one line setting, are
// of each of the formats; the best guess is first.
//
// The rivals are the formats and chance. Chance draws each byte by itself, as
// often as it occurs in what came. A format makes frames and stray bytes in
// between, in any proportion with equal probability; it fills a frame as chance
// would but for what it demands: with b bits of demands (see [demands]) a frame
// is 2^b times as likely as by chance. Bayes' theorem makes of that the
// probability of each. So one frame that a long noise holds by accident counts
// for little, and of two formats that read the same bytes the one which leaves
// fewer over wins, or each has its share if nothing tells them apart.
//
// But nothing that talks draws bytes by chance: other protocols have lines,
// words and figures as meters do. So the end of a longer line of text is no
// frame; a format to which less than a quarter of the bytes belong is doubted in
// proportion (a line that damages 5 % of the bytes leaves half the frames whole);
// and no more is ever claimed than TestConfusion bears out.
func weigh(formats []drivers.Format, bytes []byte) []Guess {
	var guesses []Guess
	scores := []float64{beforehand} // of chance, bits
	for _, f := range formats {
		if e := weighOne(f, bytes); e.frames > 0 {
			guesses = append(guesses, Guess{Format: f, Frames: e.frames, Confidence: min(1, 4*e.share)})
			scores = append(scores, e.score)
		}
	}
	most, sum := slices.Max(scores), 0.0
	for i, score := range scores {
		scores[i] = math.Exp2(score - most)
		sum += scores[i]
	}
	for i := range guesses {
		guesses[i].Confidence *= min(scores[i+1]/sum, mostClaimed)
	}
	guesses = slices.DeleteFunc(guesses, func(g Guess) bool { return g.Confidence < worthwhile })
	slices.SortStableFunc(guesses, func(a, b Guess) int { return cmp.Compare(b.Confidence, a.Confidence) })
	return guesses
}

// mostClaimed is what no mistake in 3000 trials allows to be claimed with 95 %
// confidence (the rule of three).
const mostClaimed = 0.999

// beforehand is how much likelier chance is than a format before anything is
// heard, bits: many formats are held against many line settings.
const beforehand = 10

// longestFrame bounds how far back the demands of a frame are looked for, bytes.
const longestFrame = 64

// evidence is what speaks for a format in what came.
type evidence struct {
	frames int
	share  float64 // of the bytes that are frames
	score  float64 // logarithm to base 2 of how much likelier the bytes are than by chance
}

func weighOne(f drivers.Format, bytes []byte) (e evidence) {
	var ends []int // offset behind each frame
	d := f.Plain()
	for i := range bytes {
		emitted := false // once or more: a meter with two displays tells both in one frame
		d.Feed(bytes[i:i+1], func(drivers.Reading) { emitted = true })
		if emitted {
			ends = append(ends, i+1)
		}
	}
	if ends == nil {
		return e
	}
	// The frame that stands closest behind another has no stray bytes before it.
	from, to := max(0, ends[0]-longestFrame), ends[0]
	for i, end := range ends[1:] {
		if end-ends[i] < to-from || i == 0 {
			from, to = max(ends[i], end-longestFrame), end
		}
	}
	bits, length := demands(f, bytes[from:to], bytes)
	ends = slices.DeleteFunc(ends, func(end int) bool {
		begin := end - length
		return begin > 0 && isText(bytes[begin:end-1]) && isText(bytes[begin-1:begin]) && endsLine(bytes[end-1]) && !endsLine(bytes[begin-1])
	})
	if len(ends) == 0 {
		return e
	}
	framed := len(ends) * length
	stray := len(bytes) - framed
	stray -= min(max(ends[0]-length, 0), length-1) // a frame that began before listening did
	n, m := float64(len(ends)), float64(max(stray, 0))
	return evidence{
		frames: len(ends),
		share:  float64(framed) / (float64(framed) + m),
		score:  n*bits - (logFactorial(n+m+1)-logFactorial(n)-logFactorial(m))/math.Ln2,
	}
}

// endsLine says that b, without a parity bit, is CR or LF.
func endsLine(b byte) bool { return b&0x7F == '\r' || b&0x7F == '\n' }

// isText says that all of p, parity bits aside, prints or ends a line.
func isText(p []byte) bool {
	return !slices.ContainsFunc(p, func(b byte) bool {
		b &= 0x7F
		return (b < ' ' || b > '~') && b != '\t' && !endsLine(b)
	})
}

// logFactorial is the natural logarithm of n!. That of (n+m+1)!/(n! m!) is what
// it costs to say which of n+m are the n, for a proportion not known beforehand:
// minus the logarithm of the beta function B(n+1, m+1).
func logFactorial(n float64) float64 {
	l, _ := math.Lgamma(n + 1)
	return l
}

// demands measures what a format demands of a frame: frame ends with one. Each
// of its bytes is replaced by every other that was heard, and the decoder asked
// which it takes: minus the logarithm of their share among all heard are the
// bits that this place demands. One byte more counts as heard and taken, for what
// might have come and did not. The sum takes places for independent. length is
// from the first place that demands anything.
func demands(f drivers.Format, frame, heard []byte) (bits float64, length int) {
	var count [256]int
	for _, b := range heard {
		count[b]++
	}
	tried := slices.Clone(frame)
	d := f.Plain()
	whole := false
	note, ignore := func(drivers.Reading) { whole = true }, func(drivers.Reading) {}
	for i := range tried {
		taken := 1
		for b, n := range count {
			if n == 0 {
				continue
			}
			tried[i] = byte(b)
			d.Feed(frame, ignore) // what the last try began is over
			d.Feed(tried[:len(tried)-1], ignore)
			whole = false
			if d.Feed(tried[len(tried)-1:], note); whole {
				taken += n
			}
		}
		if tried[i] = frame[i]; taken <= len(heard) && length == 0 {
			length = len(frame) - i
		}
		bits -= math.Log2(float64(taken) / float64(len(heard)+1))
	}
	return bits, max(length, 1)
}
