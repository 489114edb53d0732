package chart

import (
	"strings"
	"sync"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Regular and Bold are the type that drawings and pages on paper are set in:
// the Go fonts, TrueType, whose figures are all of one width.
var (
	Regular = goregular.TTF
	Bold    = gobold.TTF
)

// face is a parsed font and what of it has been asked for.
type face struct {
	font   *sfnt.Font
	mu     sync.Mutex
	buf    sfnt.Buffer
	glyphs map[rune]glyph
}

type glyph struct {
	there   bool
	advance float64 // of an em
}

var faces = sync.OnceValue(func() (f [2]*face) {
	for i, ttf := range [...][]byte{Regular, Bold} {
		font, err := sfnt.Parse(ttf)
		if err != nil {
			panic(err) // it is in the binary
		}
		f[i] = &face{font: font, glyphs: map[rune]glyph{}}
	}
	return f
})

func faceOf(bold bool) *face {
	if bold {
		return faces()[1]
	}
	return faces()[0]
}

// glyph looks a character up.
func (f *face) glyph(r rune) glyph {
	f.mu.Lock()
	defer f.mu.Unlock()
	g, ok := f.glyphs[r]
	if !ok {
		index, err := f.font.GlyphIndex(&f.buf, r)
		if g.there = err == nil && index != 0 && r <= 0xffff; g.there {
			em := f.font.UnitsPerEm()
			if a, err := f.font.GlyphAdvance(&f.buf, index, fixed.I(int(em)), 0); err == nil {
				g.advance = float64(a) / 64 / float64(em)
			}
		}
		f.glyphs[r] = g
	}
	return g
}

// missing stands for a character that the type has not.
const missing = '□'

// Fit is text that Regular and Bold can set: each character that they have not
// becomes a box.
func Fit(s string) string {
	f := faceOf(false)
	return strings.Map(func(r rune) rune {
		if f.glyph(r).there {
			return r
		}
		return missing
	}, s)
}

// TextWidth is how wide a line of text stands at a font size, in its unit.
func TextWidth(s string, size float64, bold bool) float64 {
	f, w := faceOf(bold), 0.0
	for _, r := range s {
		g := f.glyph(r)
		if !g.there {
			g = f.glyph(missing)
		}
		w += g.advance
	}
	return w * size
}
