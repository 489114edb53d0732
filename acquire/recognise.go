package acquire

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

// Guess is a format that what was heard on a port fits.
type Guess struct {
	Format     drivers.Format
	Line       string  // the line setting at which it fits
	Confidence float64 // 0 to 1; the guesses about one port add up to 1 at most
}

// listenFor is how long each line setting is listened to, wall time: at a
// display's two to five frames a second, four to eleven frames.
const listenFor = 2200 * time.Millisecond

// sure is the confidence at which no further line setting is tried.
const sure = 0.9

// Recognise finds out which of the formats is spoken on the port spec; the best
// guess is first. It listens to each line setting that the listening formats
// use, for 2.2 s of wall time, and sends nothing to a port on which anything was
// heard. Only a silent port is asked who it is, if scpi is among the formats. A
// TCP port has no line setting and is listened to once.
//
// The confidence of a format that was heard is (1 - 2⁻ⁿ) for n valid frames,
// times the share of what came that was valid (of the bytes, or of the frames
// that the decoder accepted or rejected, whichever is less), times the format's
// weight among all that fit, weights being squares: two formats that fit equally
// well have half each, since they cannot be told apart. These are rules of
// thumb, not probabilities; below one half a guess should not be acted on.
//
// An error that wraps [ErrUnrecognised] says that nothing fits; any other is
// the port's, or that of ctx.
func Recognise(ctx context.Context, spec string, formats []drivers.Format) ([]Guess, error) {
	return recognise(ctx, spec, formats, listenFor)
}

func recognise(ctx context.Context, spec string, formats []drivers.Format, window time.Duration) ([]Guess, error) {
	var talk []drivers.Format
	var lines []string
	for _, f := range formats {
		if f.Plain() == nil {
			continue
		}
		talk = append(talk, f)
		if !slices.Contains(lines, f.Line) {
			lines = append(lines, f.Line)
		}
	}
	tcp := strings.HasPrefix(spec, "tcp://")
	if tcp {
		lines = lines[:min(len(lines), 1)]
	}
	best := map[string]Guess{} // by format
	total := 0
	for len(lines) > 0 {
		line := lines[0]
		lines = lines[1:]
		heard, n, err := hear(ctx, spec, line, talk, window)
		if err != nil {
			return nil, err
		}
		total += n
		own := false // something sure at its usual setting
		for _, g := range heard {
			if tcp {
				g.Line = g.Format.Line
			}
			if rank(g) > rank(best[g.Format.Name]) {
				best[g.Format.Name] = g
			}
			if g.Confidence < sure {
				continue
			}
			own = own || g.Line == g.Format.Line
			if i := slices.Index(lines, g.Format.Line); i > 0 {
				lines[0], lines[i] = lines[i], lines[0]
			}
		}
		if own {
			break
		}
	}
	guesses := weigh(best)
	switch {
	case len(guesses) > 0:
		return guesses, nil
	case total > 0:
		return nil, &unrecognised{text: fmt.Sprintf("%s: %d bytes heard, but no frame of %s: is the line setting a usual one? `nightsoak formats` lists them, --line gives another",
			spec, total, names(talk))}
	}
	// Of the formats that ask, only SCPI has a question that any instrument may
	// be put: IEEE 488.2 requires *IDN? of all.
	if i := slices.IndexFunc(formats, func(f drivers.Format) bool { return f.Name == "scpi" }); i >= 0 {
		g, err := identify(ctx, spec, formats[i])
		if err != nil || g != nil {
			return g, err
		}
		return nil, &unrecognised{text: fmt.Sprintf("%s: nothing is heard, and *IDN? gets no answer: is the meter on, and its data output switched on? A meter polled by a letter (ascii14) must be named with --format", spec)}
	}
	return nil, &unrecognised{text: fmt.Sprintf("%s: nothing is heard: is the meter on, and its data output switched on?", spec)}
}

// rank prefers the usual line setting: a pseudo terminal passes bytes at any.
func rank(g Guess) float64 {
	if g.Line == g.Format.Line {
		return 2 * g.Confidence
	}
	return g.Confidence
}

func names(formats []drivers.Format) string {
	var n []string
	for _, f := range formats {
		n = append(n, f.Name)
	}
	return strings.Join(n, ", ")
}

// hear feeds what comes within the window to a decoder of each format. It
// returns those that made frames of it, and how many bytes came.
func hear(ctx context.Context, spec, line string, formats []drivers.Format, window time.Duration) ([]Guess, int, error) {
	c, err := port.Open(ctx, spec, line)
	if err != nil {
		return nil, 0, err
	}
	defer c.Close()
	defer context.AfterFunc(ctx, func() { c.Close() })()
	all, err := collect(c, window, nil)
	if ctx.Err() != nil {
		return nil, 0, ctx.Err()
	}
	if err != nil {
		return nil, 0, err
	}
	var guesses []Guess
	for _, f := range formats {
		decoder := f.Plain()
		var ends []int         // offset behind each frame
		var first, last uint64 // rejects up to the first and the last frame
		for i := range all {
			before := len(ends)
			decoder.Feed(all[i:i+1], func(drivers.Reading) { ends = append(ends, i+1) })
			if len(ends) > before {
				r := decoder.Rejects()
				if last = r.Total(); before == 0 {
					first = last
				}
			}
		}
		if n := float64(len(ends)); n > 0 {
			valid := min(framed(ends, len(all)), n/(n+float64(last-first)))
			guesses = append(guesses, Guess{Format: f, Line: line, Confidence: (1 - math.Pow(2, -n)) * valid})
		}
	}
	return guesses, len(all), nil
}

// collect reads for the window, or until enough says so.
func collect(c port.Conn, window time.Duration, enough func([]byte) bool) ([]byte, error) {
	var all []byte
	buf := make([]byte, readBufSize)
	for end := time.Now().Add(window); ; {
		left := time.Until(end)
		if left <= 0 || (enough != nil && enough(all)) {
			return all, nil
		}
		if err := c.SetReadTimeout(left); err != nil {
			return all, err
		}
		n, err := c.Read(buf)
		if all = append(all, buf[:n]...); err != nil {
			return all, err
		}
	}
}

// framed is the share of the bytes that frames account for, given where frames
// end among total bytes. Frames are taken to be as long as the closest two are
// apart, or as what came before the only one. A frame cut off at either end of
// the listening is not held against a format.
func framed(ends []int, total int) float64 {
	length := ends[0]
	for i := 1; i < len(ends); i++ {
		if d := ends[i] - ends[i-1]; i == 1 || d < length {
			length = d
		}
	}
	if length == 0 { // two readings of one frame
		return 0
	}
	lead := max(0, ends[0]-length)
	tail := total - ends[len(ends)-1]
	cut := length - 1
	whole := float64(len(ends) * length)
	between := ends[len(ends)-1] - ends[0] - (len(ends)-1)*length
	stray := max(0, lead-cut) + between + max(0, tail-cut)
	return whole / (whole + float64(stray))
}

// weigh makes rivals share: each guess counts by its square among all.
func weigh(best map[string]Guess) []Guess {
	var sum float64
	for _, g := range best {
		sum += g.Confidence * g.Confidence
	}
	guesses := make([]Guess, 0, len(best))
	for _, g := range best {
		if g.Confidence > 0 {
			g.Confidence *= g.Confidence * g.Confidence / sum
			guesses = append(guesses, g)
		}
	}
	slices.SortFunc(guesses, func(a, b Guess) int {
		return cmp.Or(cmp.Compare(b.Confidence, a.Confidence), cmp.Compare(a.Format.Name, b.Format.Name))
	})
	return guesses
}

const (
	idnLine = "9600 8N1"
	idnWait = time.Second
)

// identify asks *IDN?, whose answer has four fields with commas between (IEEE
// 488.2, common command *IDN?). No answer is no guess and no error.
func identify(ctx context.Context, spec string, f drivers.Format) ([]Guess, error) {
	c, err := port.Open(ctx, spec, idnLine)
	if err != nil {
		return nil, err
	}
	defer c.Close()
	defer context.AfterFunc(ctx, func() { c.Close() })()
	if _, err = c.Write([]byte("*IDN?\n")); err != nil {
		return nil, err
	}
	answer, err := collect(c, idnWait, func(b []byte) bool { return slices.Contains(b, '\n') })
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	text := strings.TrimSpace(string(answer))
	if err != nil || !printable(text) || strings.Contains(text, "*IDN?") { // what only echoes is no instrument
		return nil, err
	}
	g := Guess{Format: f, Line: idnLine, Confidence: 0.5}
	if strings.Count(text, ",") == 3 {
		g.Confidence = 0.95
	}
	return []Guess{g}, nil
}

// printable says that s is text of at least one character, all ASCII.
func printable(s string) bool {
	return s != "" && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' })
}
