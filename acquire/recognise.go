package acquire

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

// Guess is a format that what was heard on a port fits.
type Guess struct {
	Format     drivers.Format
	Line       string           // the line setting at which it fits
	Settings   drivers.Settings // what asking the meter found out; nil for one that talks
	Confidence float64          // 0 to 1; the guesses about one port add up to 1 at most
	Frames     int              // heard of a meter that talks by itself
}

// How long a line setting is listened to, wall time. A display tells two to
// five figures a second, the slowest one.
const (
	brief   = 1200 * time.Millisecond
	longer  = 2500 * time.Millisecond // where something promising was heard
	longest = 4 * time.Second         // where nothing else is left to try: of 8 frames hardly all are damaged; twice that with a frame heard
	quiet   = 60 * time.Millisecond   // of silence end a burst: over three characters at 600 bit/s, and an adaptor's latency
	askWait = 3 * time.Second         // for one format's Identify, which is to take 2 s
)

const (
	sure       = 0.99 // confidence at which the search ends
	hopeless   = 3    // bursts without a frame: the first may have been cut, the second corrupted
	firstLook  = 512  // bytes of an unbroken stream before it is judged; then at twice as many
	worthwhile = 0.01 // confidence under which a guess is not worth telling
)

// otherSpeeds are tried when something is heard and none of the formats' own
// line settings makes sense of it, bit/s.
var otherSpeeds = []int{9600, 4800, 1200, 38400, 115200, 2400, 19200}

// Recognise finds out which of the formats is spoken on the port spec; the best
// guess is first. It listens before it asks: to each line setting that the
// formats which talk by themselves use, and, when something is heard that fits
// at none of them, to the other usual speeds. It sends nothing to a port on
// which anything was ever heard; only a silent port is asked, by the Identify of
// each format that has one. A silent port is first given power by DTR, on which
// some optical heads live. How sure a guess is, [weigh] says. tell, unless nil,
// hears of each step.
//
// An error that wraps [ErrUnrecognised] says that nothing fits, and what was
// heard; any other is the port's, or that of ctx.
func Recognise(ctx context.Context, spec string, formats []drivers.Format, tell func(step string)) ([]Guess, error) {
	return newSeeker(spec, formats, port.Open, tell).recognise(ctx)
}

// opener is port.Open, or a test's.
type opener func(ctx context.Context, spec, line string) (port.Conn, error)

// seeker looks for what is spoken on a port.
type seeker struct {
	spec    string
	talking []drivers.Format // that talk by themselves and need no settings
	asking  []drivers.Format // that can find out whether they are understood
	named   []string         // of formats that can be used when named only
	open    opener
	tell    func(string)

	dtr, rts bool // asserted beside what a format's line says

	heard []heard  // in the order of listening
	asked []string // formats
	back  int      // bytes that came back when asked
}

// heard is what came at one line setting.
type heard struct {
	line    port.Line // zero for a port that has no line
	bytes   []byte
	guesses []Guess // best first
}

func newSeeker(spec string, formats []drivers.Format, open opener, tell func(string)) *seeker {
	s := &seeker{spec: spec, open: open, tell: tell}
	if tell == nil {
		s.tell = func(string) {}
	}
	for _, f := range formats {
		switch {
		case f.Plain() != nil:
			s.talking = append(s.talking, f)
		case f.Identify != nil:
			s.asking = append(s.asking, f)
		default:
			s.named = append(s.named, f.Name)
		}
	}
	// The fastest line first: there the answer, or that there is none, takes the least time.
	slices.SortStableFunc(s.asking, func(a, b drivers.Format) int {
		la, _ := port.ParseLine(a.Line)
		lb, _ := port.ParseLine(b.Line)
		return cmp.Compare(lb.Baud, la.Baud)
	})
	return s
}

func (s *seeker) recognise(ctx context.Context) ([]Guess, error) {
	guesses, err := s.listen(ctx)
	if err != nil || len(guesses) > 0 {
		return guesses, err
	}
	if s.bytes() == 0 {
		if guesses, err = s.ask(ctx); err != nil || len(guesses) > 0 {
			return guesses, err
		}
	}
	return nil, &unrecognised{text: s.spec + ": " + s.report()}
}

// listen is the passive part: what fits what is heard, best first.
func (s *seeker) listen(ctx context.Context) ([]Guess, error) {
	if len(s.talking) == 0 || strings.HasPrefix(s.spec, "usbtmc:") { // such a port says nothing by itself
		return nil, nil
	}
	own, fixed := s.lines(s.talking...), !port.HasLine(s.spec)
	if fixed {
		own = []port.Line{{}}
	}
	guesses, err := s.try(ctx, own, false)
	if err == nil && s.bytes() == 0 && !fixed {
		s.dtr = true
		own = s.lines(s.talking...)
		guesses, err = s.try(ctx, fastest(own), false)
	}
	if err != nil || guesses != nil || s.bytes() == 0 {
		return guesses, err
	}
	if best := s.best(); best.fits() >= 0.5 {
		return s.settle(ctx, best)
	}
	if s.text() == nil && !fixed {
		var others []port.Line
		for _, speed := range otherSpeeds {
			l := port.Line{Baud: speed, DataBits: 8, Parity: 'N', StopBits: 1, DTR: s.dtr, RTS: s.rts}
			if !slices.Contains(own, l) {
				others = append(others, l)
			}
		}
		if guesses, err = s.try(ctx, others, false); err != nil || guesses != nil {
			return guesses, err
		}
	}
	if guesses, err = s.try(ctx, s.promising(own), true); err != nil || guesses != nil {
		return guesses, err
	}
	return s.settle(ctx, s.best())
}

// promising are the settings that are worth more time: where a frame or two were
// heard or what may be a format's text, else the formats' own.
func (s *seeker) promising(own []port.Line) (lines []port.Line) {
	if h := s.text(); h != nil { // no other speed makes text of it
		if foreign, _ := h.foreign(); h.guesses != nil || foreign == "" && slices.Contains(own, h.line) {
			return []port.Line{h.line}
		}
		return nil
	}
	for _, h := range s.heard {
		if h.guesses != nil {
			lines = append(lines, h.line)
		}
	}
	if lines == nil {
		return own
	}
	return lines
}

// lines are the settings to listen to for these formats: each format's own
// first, none twice.
func (s *seeker) lines(formats ...drivers.Format) []port.Line {
	var all []port.Line
	add := func(line string) {
		if l, err := s.line(line); err == nil && !slices.Contains(all, raw(l)) {
			all = append(all, raw(l))
		}
	}
	for _, f := range formats {
		add(f.Line)
	}
	for _, f := range formats {
		for _, line := range f.Lines {
			add(line)
		}
	}
	return all
}

// line is a setting as a format writes it, with the modem lines that are tried.
func (s *seeker) line(text string) (port.Line, error) {
	l, err := port.ParseLine(text)
	l.DTR, l.RTS = l.DTR || s.dtr, l.RTS || s.rts
	return l, err
}

// raw is the setting at which all bits that come at l are heard as they are:
// seven bits and a parity bit, or a second stop bit, are eight bits. With parity
// asked for, the kernel would hand over NUL for each character that has it wrong.
func raw(l port.Line) port.Line {
	bits := l.DataBits
	if l.Parity != 'N' || bits == 7 && l.StopBits == 2 {
		bits++
	}
	if bits == 8 {
		l.DataBits, l.Parity, l.StopBits = 8, 'N', 1
	}
	return l
}

// fastest puts the fastest setting first. It hears a slower sender, at least as
// noise, while a slow one takes the short bits of a fast sender for glitches.
func fastest(lines []port.Line) []port.Line {
	slices.SortStableFunc(lines, func(a, b port.Line) int { return cmp.Compare(b.Baud, a.Baud) })
	return lines
}

// try listens to one setting after the other until something is sure, or it is
// plainly text. What is only likely is left in s.heard.
func (s *seeker) try(ctx context.Context, queue []port.Line, patient bool) ([]Guess, error) {
	queue = slices.Clone(queue)
	for len(queue) > 0 {
		i := slices.IndexFunc(s.heard, func(h heard) bool { return h.line == queue[0] })
		if i < 0 {
			i = len(s.heard)
			s.heard = append(s.heard, heard{line: queue[0]})
		}
		h, err := s.hear(ctx, s.heard[i], patient)
		if err != nil {
			return nil, err
		}
		s.heard[i] = h
		queue = queue[1:]
		switch best := h.best(); {
		case len(h.bytes) == 0:
			queue = fastest(slices.DeleteFunc(queue, func(l port.Line) bool {
				return l.Baud <= h.line.Baud && l.DTR == h.line.DTR && l.RTS == h.line.RTS
			}))
		case best.Confidence >= sure:
			own := s.lines(best.Format)
			untried := slices.DeleteFunc(slices.Clone(own), func(l port.Line) bool {
				return slices.ContainsFunc(s.heard, func(h heard) bool { return h.line == l })
			})
			if h.line.Baud == 0 || slices.Contains(own, h.line) || len(untried) == 0 {
				return s.settle(ctx, h)
			}
			// A pseudo-terminal or a clever adaptor lets bytes through at any setting.
			queue = slices.Concat(untried, slices.DeleteFunc(queue, func(l port.Line) bool { return slices.Contains(untried, l) }))
		case h.text() != nil:
			return nil, nil
		}
	}
	return nil, nil
}

// best is the best guess, the zero Guess if there is none.
func (h heard) best() Guess {
	if len(h.guesses) == 0 {
		return Guess{}
	}
	return h.guesses[0]
}

// fits is how sure it is that one of the guesses is right.
func (h heard) fits() (sum float64) {
	for _, g := range h.guesses {
		sum += g.Confidence
	}
	return sum
}

// best is where one of the formats fits best.
func (s *seeker) best() heard {
	return slices.MaxFunc(s.heard, func(a, b heard) int { return cmp.Compare(a.fits(), b.fits()) })
}

// bytes is how many were heard in all.
func (s *seeker) bytes() (n int) {
	for _, h := range s.heard {
		n += len(h.bytes)
	}
	return n
}

// hear listens to h.line, adding to what was heard there before: briefly, for
// longer where frames were found, and no longer than needed to be sure, or sure
// that nothing will come of it. With patience it does not give up so soon.
func (s *seeker) hear(ctx context.Context, h heard, patient bool) (heard, error) {
	line := ""
	if h.line.Baud != 0 {
		line = h.line.String()
		s.tell("listening at " + line)
	}
	c, err := s.open(ctx, s.spec, line)
	if err != nil {
		return h, err
	}
	defer c.Close()
	defer context.AfterFunc(ctx, func() { c.Close() })()
	window := brief
	if patient {
		window = longest
	}
	buf := make([]byte, readBufSize)
	bursts, look, inBurst := 0, firstLook, false
	for begun := time.Now(); ; {
		wait := window - time.Since(begun)
		if inBurst {
			wait = min(wait, quiet)
		}
		n := 0
		if err = c.SetReadTimeout(max(wait, 0)); err == nil {
			n, err = c.Read(buf)
		}
		if ctx.Err() != nil {
			return h, ctx.Err()
		}
		if err != nil {
			return h, err
		}
		h.bytes = append(h.bytes, buf[:n]...)
		over := time.Since(begun) >= window
		paused := inBurst && n == 0
		inBurst = n > 0
		switch {
		case paused:
			bursts++
		case len(h.bytes) >= look:
			look *= 2
		case !over:
			continue
		}
		h.guesses = weigh(s.talking, h.bytes)
		switch best := h.best(); {
		case best.Confidence >= sure && best.Frames > 1,
			best.Frames == 0 && !patient && (bursts >= hopeless || len(h.bytes) >= firstLook):
			return h, nil
		case over && h.fits() >= 0.5 && window < longer:
			window = longer
		case over && patient && h.guesses != nil && window == longest:
			window = 2 * longest
		case over:
			return h, nil
		}
	}
}

// settle names the line setting of what was guessed from what was heard. The
// eighth bits heard tell parity and the number of bits; where they contradict
// the format's own settings, its first is listened to: some adaptors, and every
// pseudo-terminal, hand over seven bits whatever is asked for.
func (s *seeker) settle(ctx context.Context, h heard) ([]Guess, error) {
	for i := range h.guesses {
		g := &h.guesses[i]
		if g.Line = g.Format.Line; h.line.Baud == 0 {
			continue
		}
		var fits, contradicts []port.Line
		for _, text := range append([]string{g.Format.Line}, g.Format.Lines...) {
			l, err := s.line(text)
			switch {
			case err != nil || raw(l) != h.line:
			case l == h.line || carried(h.bytes, l) >= mostly:
				fits = append(fits, l)
			default:
				contradicts = append(contradicts, l)
			}
		}
		if len(fits) == 0 && len(contradicts) > 0 {
			again, err := s.hear(ctx, heard{line: contradicts[0]}, false)
			if err != nil {
				return nil, err
			}
			if slices.ContainsFunc(again.guesses, func(a Guess) bool { return a.Format.Name == g.Format.Name }) {
				fits = contradicts
			}
		}
		g.Line = append(fits, inferred(h))[0].String()
	}
	return h.guesses, nil
}

// ask puts each format's question, at each format's own line setting first, as
// long as the port says nothing but answers.
func (s *seeker) ask(ctx context.Context) (guesses []Guess, err error) {
	turns := 1
	for _, f := range s.asking {
		if turns = max(turns, 1+len(f.Lines)); !port.HasLine(s.spec) {
			turns = 1
		}
	}
	for turn := range turns {
		for _, f := range s.asking {
			lines := append([]string{f.Line}, f.Lines...)
			if turn >= len(lines) {
				continue
			}
			before := s.back
			g, err := s.identify(ctx, f, lines[turn])
			if err != nil || g.Confidence >= 0.5 {
				return []Guess{g}, err
			}
			if g.Confidence >= worthwhile {
				guesses = append(guesses, g)
			}
			if s.back > before { // is it a meter that talks, and was switched on now?
				s.dtr = false
				if heard, err := s.listen(ctx); err != nil || s.bytes() > 0 {
					return heard, err
				}
			}
		}
	}
	slices.SortStableFunc(guesses, func(a, b Guess) int { return cmp.Compare(b.Confidence, a.Confidence) })
	return guesses, nil
}

// identify puts one format's question at one line setting.
func (s *seeker) identify(ctx context.Context, f drivers.Format, line string) (Guess, error) {
	s.tell("asking in " + f.Name + port.AtLine(s.spec, line))
	if !slices.Contains(s.asked, f.Name) {
		s.asked = append(s.asked, f.Name)
	}
	limited, cancel := context.WithTimeout(ctx, askWait)
	defer cancel()
	c, err := s.open(limited, s.spec, line)
	if err != nil {
		return Guess{}, err
	}
	defer c.Close()
	defer context.AfterFunc(limited, func() { c.Close() })()
	counted := &countingConn{Conn: c}
	settings, confidence, err := f.Identify(counted)
	s.back += counted.n
	if err != nil { // some close the connection on what they do not know; a port that is gone fails to open again
		confidence = 0
	}
	return Guess{Format: f, Line: line, Settings: settings, Confidence: confidence}, ctx.Err()
}

// countingConn counts what is read.
type countingConn struct {
	port.Conn
	n int
}

func (c *countingConn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	c.n += n
	return n, err
}
