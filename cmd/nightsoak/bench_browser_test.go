//go:build browser && linux

package main

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
	"nightsoak/export/record"
)

// hand is a way to work a page.
type hand string

const (
	byMouse hand = "mouse"
	byKeys  hand = "keyboard"
	byTouch hand = "touch"
)

// middle is the middle of an element, scrolled into view and come to rest there.
func (p *tab) middle(t *testing.T, css string) (x, y float64) {
	t.Helper()
	p.becomes(t, css+" is there", fmt.Sprintf(`(() => {
		const e = document.querySelector(%q)
		e?.scrollIntoView({block: 'center'})
		const r = e?.getBoundingClientRect(), at = r?.width > 0 ? [r.left, r.top, e.ownerDocument.documentElement.scrollHeight].join() : '', was = window.restsAt
		window.restsAt = at
		return at != '' && at === was
	})()`, css))
	at := see[[]float64](t, p, fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2] })()`, css))
	return at[0], at[1]
}

// touch puts fingers down, moves them and lifts them: each step is where they all are.
func (p *tab) touch(t *testing.T, steps ...[][2]float64) {
	t.Helper()
	send := func(kind input.DispatchTouchEventType, at [][2]float64) chromedp.Action[chromedp.Void] {
		return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
			points := []*input.TouchPoint{}
			for i, xy := range at {
				id := float64(i)
				points = append(points, &input.TouchPoint{X: xy[0], Y: xy[1], ID: &id})
			}
			_, err := cdp.Call(ctx, tab, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
			return err
		})
	}
	for i, at := range steps {
		kind := input.DispatchTouchEventType("touchMove")
		if i == 0 {
			kind = "touchStart"
		}
		p.do(t, "fingers", send(kind, at))
	}
	p.do(t, "fingers up", send("touchEnd", nil))
}

// press does with a hand what a click does: goes to an element and sets it off.
// With the keyboard alone it is reached by Tab.
func (p *tab) press(t *testing.T, way hand, css string) {
	t.Helper()
	switch way {
	case byMouse:
		x, y := p.middle(t, css)
		p.do(t, css, chromedp.MouseClickXY(x, y))
	case byTouch:
		x, y := p.middle(t, css)
		p.touch(t, [][2]float64{{x, y}})
	case byKeys:
		p.becomes(t, css+" is there", fmt.Sprintf(`document.querySelector(%q) != null`, css))
		for range 300 {
			if see[bool](t, p, fmt.Sprintf(`document.activeElement?.matches(%q) ?? false`, css)) {
				switch see[string](t, p, `document.activeElement.tagName + (document.activeElement.type ?? '')`) {
				case "INPUTtext", "TEXTAREAtextarea", "SELECTselect-one":
				case "Aundefined", "A":
					p.do(t, css, chromedp.KeyEvent(kb.Enter))
				default:
					p.do(t, css, chromedp.KeyEvent(" "))
				}
				return
			}
			p.do(t, "Tab", chromedp.KeyEvent(kb.Tab))
		}
		t.Fatalf("%s is not reached by Tab", css)
	}
}

// write goes to a field and writes into it: by keys, or as a soft keyboard or a
// paste does.
func (p *tab) write(t *testing.T, way hand, css, text string) {
	t.Helper()
	// Should the page move while the finger comes down, one tries again.
	for range 3 {
		p.press(t, way, css)
		if see[bool](t, p, fmt.Sprintf(`document.activeElement?.matches(%q) ?? false`, css)) {
			break
		}
	}
	p.becomes(t, css+" has the focus", fmt.Sprintf(`document.activeElement?.matches(%q) ?? false`, css))
	if way == byKeys && !strings.Contains(text, "\n") {
		p.do(t, "keys", chromedp.KeyEvent(text))
		return
	}
	p.do(t, "text", chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, input.InsertText, input.InsertTextParams{Text: text})
		return err
	}))
}

// choose takes a line of a list. A list drops down in a window of the browser's
// own, out of reach of mouse and finger here: for these its choice is made as the
// browser would.
func (p *tab) choose(t *testing.T, way hand, css, line string) {
	t.Helper()
	p.press(t, way, css)
	if way == byKeys {
		p.do(t, "keys", chromedp.KeyEvent(line[:1]))
		for range 20 {
			if see[string](t, p, `document.activeElement.selectedOptions[0].text`) == line {
				return
			}
			p.do(t, "down", chromedp.KeyEvent(kb.ArrowDown))
		}
		t.Fatalf("%s has no line %q that keys reach", css, line)
	}
	p.do(t, "shut", chromedp.KeyEvent(kb.Escape))
	see[bool](t, p, fmt.Sprintf(`(() => { const s = document.querySelector(%q); s.value = [...s.options].find(o => o.text == %q).value; s.dispatchEvent(new Event('change', {bubbles: true})); return true })()`, css, line))
}

// TestBenchActs: every act of the bench page, by mouse, by keyboard alone and by
// touch, on the real daemon with a probe that is moved about.
func TestBenchActs(t *testing.T) {
	for _, way := range []hand{byMouse, byKeys, byTouch} {
		t.Run(string(way), func(t *testing.T) {
			b := newTextBench(t, 3, "")
			job := "ticket = \"R-1187\"\namplifier = \"two-tube combo, 20 W\"\n[limits]\ndissipation_for = \"1ms\"\n"
			for _, v := range []string{"V1", "V2"} {
				job += fmt.Sprintf("[[socket]]\nname = %q\ntube = \"6L6GC\"\nsense = { meter = \"k1\", ohms = 1.0, roving = true }\nplate = { meter = \"ht\" }\n", v)
			}
			job += "[[watch]]\nname = \"heater\"\nmeter = \"k2\"\nunit = \"V\"\nlow = 0.0\nhigh = 9.0\n"
			if err := os.WriteFile(filepath.Join(b.dir, "job.toml"), []byte(job), 0o600); err != nil {
				t.Fatal(err)
			}
			s := start(t, b.files...)
			s.cutUntil(t, "HT up", 20*time.Second, func(st cutState) bool { return st.Run != nil && st.Run.Phase == "warm-up" })
			p := openTab(t)
			width, height := int64(1280), int64(900)
			if way == byTouch {
				width, height = 390, 844
				p.do(t, "a touch screen", chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
					_, err := cdp.Call(ctx, tab, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
					return err
				}))
			}
			p.open(t, s.url, width, height)
			did := func(act, css string) {
				t.Helper()
				see[string](t, p, `document.getElementById('said').textContent = ''`)
				p.press(t, way, css)
				p.becomes(t, act+" is taken", fmt.Sprintf(`document.getElementById('said').textContent.startsWith(%q)`, act+": "))
				if said := see[string](t, p, `document.getElementById('said').textContent + document.getElementById('said').className`); act != "drill" && said != act+": done" {
					t.Errorf("%s: %q", act, said)
				}
			}

			p.write(t, way, `form[data-act=note] [name=text]`, "lamp <b>on</b>")
			did("note", `form[data-act=note] button`)
			did("adjusted", `[data-act=adjusted][data-socket=V1]`)
			p.choose(t, way, `form[data-act=move] [name=socket]`, "V2")
			did("move", `form[data-act=move] button`)
			p.press(t, way, `details[data-key=mark] summary`)
			p.write(t, way, `form[data-act=mark] [name=text]`, "before")
			did("mark", `form[data-act=mark] button`)
			p.press(t, way, `details[data-key=leave] summary`)
			p.choose(t, way, `form[data-act=drill] [name=fault]`, "silent meter")
			did("drill", `form[data-act=drill] button`)

			// An alarm that stands, and all that can be done to it.
			b.shows[0].Store(tooMuch)
			const over = `over-dissipation/V2`
			button := func(act string) string { return fmt.Sprintf(`button[data-act=%q][data-id=%q]`, act, over) }
			is := func(state string) {
				t.Helper()
				s.cutUntil(t, over+" "+state, 10*time.Second, func(st cutState) bool {
					for _, a := range st.Alarms {
						if a.ID == over {
							return a.State == state
						}
					}
					return false
				})
			}
			is("unacknowledged")
			did("acknowledge", button("acknowledge"))
			is("acknowledged")
			did("shelve", button("shelve"))
			is("shelved")
			did("unshelve", button("unshelve"))
			p.becomes(t, "the page says so", fmt.Sprintf(`document.querySelector(%q) != null`, button("shelve")))
			row := fmt.Sprintf(`tr[data-key^=%q] `, over)
			p.press(t, way, row+`details summary`)
			p.write(t, way, row+`[name=by]`, "Kim")
			p.write(t, way, row+`[name=text]`, "known, being mended")
			did("out-of-service", row+`form[data-act=out-of-service] button`)
			is("out-of-service")
			p.write(t, way, row+`form[data-act=in-service] [name=by]`, "Kim")
			did("in-service", row+`form[data-act=in-service] button`)
			p.becomes(t, "back in service", fmt.Sprintf(`document.querySelector(%q) != null`, button("shelve")))

			// The departure check has a page of its own, and leads back.
			p.press(t, way, `#acts a[href=walkaway]`)
			p.becomes(t, "the departure check", `location.pathname == '/walkaway'`)
			p.press(t, way, `input[value=covers]`)
			p.press(t, way, `button[value=check]:not([hidden])`)
			p.becomes(t, "checked", `document.body.innerText.includes('Checked, and put into the record')`)

			p.open(t, s.url, width, height)
			p.press(t, way, `details[data-key=end] summary`)
			did("end", `form[data-act=end] button`)
			p.becomes(t, "another may begin", `document.querySelector('form[data-act=begin] textarea') != null`)
			p.write(t, way, `form[data-act=begin] textarea`, strings.Replace(job, "R-1187", "R-1188", 1))
			did("begin", `form[data-act=begin] button`)
			s.cutUntil(t, "the next run is on", 10*time.Second, func(st cutState) bool { return st.Run != nil && strings.HasPrefix(st.Run.ID, "R-1188") })

			if wide := see[float64](t, p, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
				t.Errorf("the page is %g pixels wider than its screen", wide)
			}
			if _, trouble := p.heard(); len(trouble) > 0 {
				t.Errorf("the pages complained:\n%s", strings.Join(trouble, "\n"))
			}
			s.stop(t)
			events := recorded(t, b.dir, "")
			for _, act := range []string{"note", "adjusted", "move", "mark", "drill", "acknowledge", "shelve", "unshelve", "out-of-service", "in-service", "walkaway", "end"} {
				if !strings.Contains(events, fmt.Sprintf(`"act":%q`, act)) {
					t.Errorf("%s is not in the record", act)
				}
			}
			for _, words := range []string{"lamp \\u003cb\\u003eon\\u003c/b\\u003e", "known, being mended"} {
				if !strings.Contains(events, words) {
					t.Errorf("%q is not in the record", words)
				}
			}
		})
	}
}

// TestSpikeOfANight: one reading that strays in a night of 11 h 48 min is seen on the whole night's
// trace, and its value read by mouse wheel, by keys, by pinching and with links.
func TestSpikeOfANight(t *testing.T) {
	b := newTextBench(t, 2, "")
	b.files = b.files[:3] // no job: nothing of its own is on
	const at = 7*time.Hour + 13*time.Minute + 20*time.Second
	var stray float64 // mA
	var when time.Duration
	info := recordNightWith(t, b.dir, night.RunawayGas, 66, func(n *night.Night, in *alarms.Input) {
		if when == 0 && in.Meter == 0 && in.Act == nil && in.T >= at {
			in.Reading.Digits += in.Reading.Digits * 2 / 5
			stray, when = in.Reading.Value(), in.T
		}
	})
	s := start(t, b.files...)
	p := openTab(t)
	page := s.url + "runs/" + info.ID + "?show=current"
	const cross = `(() => { const f = document.getElementById('trace'), r = f.firstElementChild.getBoundingClientRect(), d = document.getElementById('scope').dataset, k = r.width / d.wide; return [r.left + d.left * k, (d.right - d.left) * k, r.top + r.height / 2, +d.from, +d.to] })()`
	// place is where a run time stands on the screen.
	place := func(w time.Duration) (x, y float64) {
		t.Helper()
		v := see[[]float64](t, p, cross)
		return v[0] + v[1]*(w.Seconds()-v[3])/(v[4]-v[3]), v[2]
	}
	shown := func() float64 { v := see[[]float64](t, p, cross); return v[4] - v[3] }
	job, err := func() (socket string, err error) {
		st, err := record.OpenReader(b.dir)
		if err != nil {
			return "", err
		}
		defer st.Close()
		in, err := st.Find(info.ID)
		if err != nil {
			return "", err
		}
		_, j, err := filesOf(in)
		if err != nil {
			return "", err
		}
		for i := range j.Sockets {
			if j.Sockets[i].Sense.Meter == 0 {
				stray = stray / j.Sockets[i].Sense.Ohms / math.Max(1, float64(j.Sockets[i].Sense.SharedBy)) * 1000
				return j.Sockets[i].Name, nil
			}
		}
		return "", fmt.Errorf("no socket on meter 0")
	}()
	if err != nil {
		t.Fatal(err)
	}
	// read waits until the read-out says the stray value.
	read := func(how string) {
		t.Helper()
		words := strconv.FormatFloat(math.Round(stray*10)/10, 'f', 1, 64)
		p.becomes(t, how+": the stray "+words+" mA is read", fmt.Sprintf(`[...document.querySelectorAll('#read > span')].some(s => s.textContent.startsWith(%q) && s.textContent.includes(%q))`, job, words))
	}
	drawn := func() { t.Helper(); p.becomes(t, "drawn", `document.querySelector('#trace[tabindex] svg') != null`) }

	p.open(t, page, 1440, 900)
	drawn()
	whole := shown()
	if whole < 11*3600 {
		t.Fatalf("%g s of the night are shown", whole)
	}
	if n := see[int](t, p, `document.querySelectorAll('.trace-spike').length`); n < 1 {
		t.Error("the stray reading is not seen on the whole night")
	}
	x, y := place(when)
	p.do(t, "point", chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x, y))
	read("pointing at the whole night")
	for range 60 { // with the wheel
		if shown() < 60 {
			break
		}
		before := shown()
		x, y := place(when)
		p.do(t, "wheel", chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
			_, err := cdp.Call(ctx, tab, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: input.DispatchMouseEventTypeMouseWheel, X: x, Y: y, DeltaX: 0.001, DeltaY: -300})
			return err
		}))
		p.becomes(t, "zoomed", fmt.Sprintf(`(d => d.to - d.from < %f)(document.getElementById('scope').dataset)`, before-1e-3))
	}
	x, y = place(when)
	p.do(t, "point", chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x-40, y), chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x, y))
	read("by wheel")

	// Dragged aside, it is where the hand left it.
	before := see[[]float64](t, p, cross)
	p.do(t, "drag", chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, x, y, chromedp.Button("left")), chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x+100, y, chromedp.Button("left")),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x+200, y, chromedp.Button("left")), chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, x+200, y, chromedp.Button("left")))
	p.becomes(t, "dragged", fmt.Sprintf(`Math.abs(+document.getElementById('scope').dataset.from - %f) < .2`, before[3]-200/before[1]*(before[4]-before[3])))

	// By keyboard alone: to the trace, along it, and in.
	p.open(t, page, 1440, 900)
	drawn()
	for range 100 {
		if see[bool](t, p, `document.activeElement?.id == 'trace'`) {
			break
		}
		p.do(t, "Tab", chromedp.KeyEvent(kb.Tab))
	}
	for range 200 {
		v := see[[]float64](t, p, cross)
		c := see[float64](t, p, `(l => l && !l.hidden ? l.getBoundingClientRect().left : -1)(document.querySelector('.cursor'))`)
		if c < 0 {
			p.do(t, "a key", chromedp.KeyEvent(kb.ArrowRight))
			continue
		}
		aim, _ := place(when)
		step := v[1] / v[1]
		switch {
		case math.Abs(c-aim) > 30*step && c < aim:
			p.do(t, "far right", chromedp.KeyEvent(kb.PageDown))
		case math.Abs(c-aim) > 30*step:
			p.do(t, "far left", chromedp.KeyEvent(kb.PageUp))
		case shown() > 120:
			before := shown()
			p.do(t, "in", chromedp.KeyEvent("+"))
			p.becomes(t, "zoomed", fmt.Sprintf(`(d => d.to - d.from < %f)(document.getElementById('scope').dataset)`, before-1e-3))
			continue
		case c < aim-.6*step:
			p.do(t, "right", chromedp.KeyEvent(kb.ArrowRight))
		case c > aim+.6*step:
			p.do(t, "left", chromedp.KeyEvent(kb.ArrowLeft))
		}
		if math.Abs(c-aim) <= .6*step && shown() <= 120 {
			break
		}
	}
	read("by keys")

	// With two fingers, on a phone.
	p.do(t, "a touch screen", chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 5})
		return err
	}))
	p.open(t, page, 390, 844)
	drawn()
	p.middle(t, "#trace")
	for range 40 {
		before := shown()
		if before < 60 {
			break
		}
		x, y := place(when)
		a, b := x-20, x+20
		var steps [][][2]float64
		for d := 0.0; d <= 100; d += 20 {
			steps = append(steps, [][2]float64{{math.Max(a-d, 5), y}, {math.Min(b+d, 385), y}})
		}
		p.touch(t, steps...)
		p.becomes(t, "pinched", fmt.Sprintf(`(d => d.to - d.from < %f)(document.getElementById('scope').dataset)`, before*.8))
		p.becomes(t, "at rest", `(d => { const at = d.from + ' ' + d.to, was = window.restsAt; window.restsAt = at; return at === was })(document.getElementById('scope').dataset)`)
	}
	x, y = place(when)
	p.touch(t, [][2]float64{{x, y}})
	read("by touch")
	if wide := see[float64](t, p, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
		t.Errorf("the run's page is %g pixels wider than a phone", wide)
	}
	if _, trouble := p.heard(); len(trouble) > 0 {
		t.Errorf("the pages complained:\n%s", strings.Join(trouble, "\n"))
	}
}
