package chart

import (
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// PNG writes the drawing as a picture on white, scale dots to each of its
// pixels; scale is taken as at least 0.1 and at most 8. The same drawing gives the same bytes.
func (d *Drawing) PNG(w io.Writer, scale float64) error {
	scale = max(0.1, min(scale, 8))
	p := &painter{scale: scale, img: image.NewRGBA(image.Rect(0, 0, int(math.Ceil(d.Width*scale)), int(math.Ceil(d.Height*scale)))),
		faces: map[faceKey]font.Face{}}
	draw.Draw(p.img, p.img.Bounds(), image.White, image.Point{}, draw.Src)
	for i := range d.items {
		if err := p.item(&d.items[i]); err != nil {
			return err
		}
	}
	return png.Encode(w, p.img)
}

type faceKey struct {
	size float64
	bold bool
}

type painter struct {
	img   *image.RGBA
	scale float64
	faces map[faceKey]font.Face
	r     vector.Rasterizer // used again: its buffers are the size of what is painted
}

func (p *painter) item(i *item) error {
	r, g, b := i.colour()
	ink := color.RGBA{uint8(r), uint8(g), uint8(b), 255}
	switch i.kind {
	case stroked:
		p.fill(ink, p.outline(i.points, i.width, i.dash, i.round))
	case boxed:
		if i.filled {
			p.fill(ink, [][]point{corners(i.x, i.y, i.x+i.w, i.y+i.h, i.corner, p.scale)})
		}
		if i.width > 0 {
			edge := corners(i.x, i.y, i.x+i.w, i.y+i.h, i.corner, 1)
			edge = append(edge, edge[0])
			edge[len(edge)-1].move = false
			p.fill(ink, p.outline(edge, i.width, nil, true))
		}
	case worded:
		at := i.left()
		if i.halo {
			x, y, w, h := i.behind()
			p.fill(color.RGBA{255, 255, 255, 255}, [][]point{corners(x, y, x+w, y+h, 0, p.scale)})
		}
		for _, part := range i.parts() {
			face, err := p.face(i.size, i.bold)
			if err != nil {
				return err
			}
			r, g, b := part.colour()
			dot := fixed.Point26_6{X: fixed.Int26_6(at * p.scale * 64), Y: fixed.Int26_6(i.y * p.scale * 64)}
			(&font.Drawer{Dst: p.img, Src: image.NewUniform(color.RGBA{uint8(r), uint8(g), uint8(b), 255}), Face: face, Dot: dot}).DrawString(part.text)
			at += TextWidth(part.text, i.size, i.bold)
		}
	}
	return nil
}

func (p *painter) face(size float64, bold bool) (font.Face, error) {
	k := faceKey{size, bold}
	if f := p.faces[k]; f != nil {
		return f, nil
	}
	f, err := opentype.NewFace(faceOf(bold).font, &opentype.FaceOptions{Size: size * p.scale, DPI: 72})
	if err == nil {
		p.faces[k] = f
	}
	return f, err
}

// fill paints closed outlines, all turning the same way, in dots; where they
// overlap they are one.
func (p *painter) fill(ink color.RGBA, outlines [][]point) {
	var around image.Rectangle
	for _, o := range outlines {
		for _, q := range o {
			around = around.Union(image.Rect(int(math.Floor(q.x)), int(math.Floor(q.y)), int(math.Ceil(q.x))+1, int(math.Ceil(q.y))+1))
		}
	}
	around = around.Intersect(p.img.Bounds())
	if around.Empty() {
		return
	}
	r := &p.r
	r.Reset(around.Dx(), around.Dy())
	x0, y0 := float64(around.Min.X), float64(around.Min.Y)
	for _, o := range outlines {
		for k, q := range o {
			if k == 0 {
				r.MoveTo(float32(q.x-x0), float32(q.y-y0))
			} else {
				r.LineTo(float32(q.x-x0), float32(q.y-y0))
			}
		}
		r.ClosePath()
	}
	r.Draw(p.img, around, image.NewUniform(ink), image.Point{})
}

// corners is a rectangle's outline with its corners cut round, times scale.
func corners(x0, y0, x1, y1, corner, scale float64) []point {
	if !(corner > 0) {
		return []point{{x0 * scale, y0 * scale, true}, {x1 * scale, y0 * scale, false}, {x1 * scale, y1 * scale, false}, {x0 * scale, y1 * scale, false}}
	}
	var o []point
	for k, c := range [...]point{{x: x1 - corner, y: y0 + corner}, {x: x1 - corner, y: y1 - corner}, {x: x0 + corner, y: y1 - corner}, {x: x0 + corner, y: y0 + corner}} {
		for step := range 7 {
			a := math.Pi / 2 * (float64(k) - 1 + float64(step)/6)
			o = append(o, point{(c.x + corner*math.Cos(a)) * scale, (c.y + corner*math.Sin(a)) * scale, len(o) == 0})
		}
	}
	return o
}

// outline is a stroke as the areas that it covers, in dots: a bar for each
// straight part, and a disc at each joint of a round one.
func (p *painter) outline(points []point, width float64, dash []float64, round bool) (areas [][]point) {
	half := max(width*p.scale, 1) / 2
	bar := func(a, b point, joint bool) {
		ax, ay, bx, by := a.x*p.scale, a.y*p.scale, b.x*p.scale, b.y*p.scale
		long := math.Hypot(bx-ax, by-ay)
		if long == 0 {
			return
		}
		nx, ny := -(by-ay)/long*half, (bx-ax)/long*half
		areas = append(areas, []point{{x: ax - nx, y: ay - ny}, {x: bx - nx, y: by - ny}, {x: bx + nx, y: by + ny}, {x: ax + nx, y: ay + ny}})
		if joint && round && half > .6 {
			disc := make([]point, 8)
			for k := range disc {
				s, c := math.Sincos(2 * math.Pi * float64(k) / 8)
				disc[k] = point{x: ax + half*c, y: ay + half*s}
			}
			areas = append(areas, disc)
		}
	}
	var at point
	joint, nth, left := false, 0, 0.0
	for _, q := range points {
		switch {
		case q.move:
			joint, nth = false, 0
			if len(dash) > 0 {
				left = dash[0]
			}
		case len(dash) == 0:
			bar(at, q, joint)
			joint = true
		default:
			for long := math.Hypot(q.x-at.x, q.y-at.y); long > 0; {
				step := min(long, left)
				to := point{x: at.x + (q.x-at.x)*step/long, y: at.y + (q.y-at.y)*step/long}
				if nth%2 == 0 {
					bar(at, to, joint)
				}
				joint = step == long && nth%2 == 0
				if left -= step; left <= 1e-9 {
					nth++
					left = max(dash[nth%len(dash)], .1)
				}
				if long -= step; long < 1e-9 {
					break
				}
				at = to
			}
		}
		at = q
	}
	return areas
}
