package chart

import (
	"bytes"
	"image/color"
	"image/png"
	"os"
	"testing"

	"codeberg.org/go-pdf/fpdf"
)

// pixels draws as PNG and reads it back with the standard library's decoder.
func pixels(t *testing.T, d *Drawing, scale float64) (at func(x, y float64) color.RGBA) {
	t.Helper()
	var b, again bytes.Buffer
	if err := d.PNG(&b, scale); err != nil {
		t.Fatal(err)
	}
	if err := d.PNG(&again, scale); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), again.Bytes()) {
		t.Error("the same drawing twice gives different bytes")
	}
	if f := os.Getenv("CHART_PNG"); f != "" {
		os.WriteFile(f, b.Bytes(), 0o644)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return func(x, y float64) color.RGBA {
		r, g, b, a := img.At(int(x*scale), int(y*scale)).RGBA()
		return color.RGBA{uint8(r >> 8), uint8(g >> 8), uint8(b >> 8), uint8(a >> 8)}
	}
}

// TestPNGShowsTheList finds single items of a drawing in the picture, at the
// places that the list gives them.
func TestPNGShowsTheList(t *testing.T) {
	d := fullTrace().Draw()
	at := pixels(t, d, 2)
	seen := map[string]int{}
	for i := range d.items {
		it := &d.items[i]
		switch {
		case it.class == "trace-flag" && it.filled: // red, filled: near its left edge, clear of the number
			if c := at(it.x+2.5, it.y+it.h/2); c != (color.RGBA{0xb3, 0x26, 0x1e, 255}) {
				t.Errorf("flag at %v: %v", it.x, c)
			}
		case it.class == "trace-limit":
			p := it.points[1]
			if c := at(p.x-40, p.y); c.R > 0x60 || c.R != c.G {
				t.Errorf("limit at %v is %v, not dark", p.y, c)
			}
		case it.kind == worded && !it.onInk && it.text != "":
			dark := false
			for x := 0.0; x < TextWidth(it.text, it.size, it.bold); x += .5 {
				for y := 0.0; y < it.size*.7; y += .5 {
					c := at(it.left()+x, it.y-y)
					dark = dark || c.G < 0x90
				}
			}
			if !dark {
				t.Errorf("%q is not to be seen at %v, %v", it.text, it.x, it.y)
			}
		default:
			continue
		}
		seen[it.class]++
	}
	if seen["trace-flag"] == 0 || seen["trace-limit"] != 2 || seen["trace-name"] != 4 || seen["trace-tick"] < 10 {
		t.Errorf("looked at %v", seen)
	}
	if c := at(d.Width-1, d.Height-1); c != (color.RGBA{255, 255, 255, 255}) {
		t.Errorf("the ground is %v", c)
	}
}

// A drawing in a PDF has the words of the list; poppler reads them back in the
// report's tests.
func TestPDFTakesTheList(t *testing.T) {
	p := fpdf.New("P", "pt", "A4", "")
	p.AddUTF8FontFromBytes(Family, "", Regular)
	p.AddUTF8FontFromBytes(Family, "B", Bold)
	p.AddPage()
	tr := fullTrace()
	tr.Lines[0].Name = "日本" // not in our type
	tr.Draw().PDF(p, 40, 40, .7)
	var b bytes.Buffer
	if err := p.Output(&b); err != nil || !bytes.HasPrefix(b.Bytes(), []byte("%PDF-")) {
		t.Errorf("%v, %d bytes", err, b.Len())
	}
}

func TestFit(t *testing.T) {
	if got := Fit("V5 ± 0.6 mA – Łódź Ω 日 🎸\x07"); got != "V5 ± 0.6 mA – Łódź Ω □ □□" {
		t.Errorf("%q", got)
	}
	// Figures are tabular: columns of them stand flush.
	for _, bold := range []bool{false, true} {
		for r := '1'; r <= '9'; r++ {
			if a, b := TextWidth(string(r), 10, bold), TextWidth("0", 10, bold); a != b {
				t.Errorf("%c is %v wide, 0 is %v", r, a, b)
			}
		}
	}
}
