//go:build browser

package main

import (
	"context"
	"fmt"
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/drivers"
	"nightsoak/export"
	"nightsoak/export/panel"
	"nightsoak/export/record"
	"nightsoak/export/report"
	"nightsoak/export/report/chart"
)

// stage is a panel with the states that a test puts on it: eight phases and
// priorities with up to twelve sockets would be many nights. The daemon's own
// pages are TestBrowser's.
type stage struct {
	panel.Source
	state atomic.Pointer[export.State]
}

func (s *stage) State() export.State                         { return *s.state.Load() }
func (s *stage) Events(int) []alarms.Event                   { return nil }
func (s *stage) Runs(context.Context) ([]record.Info, error) { return nil, nil }

func (s *stage) Trace(width, height int) (*chart.Trace, bool) {
	snap := s.State().Snapshot
	t := &chart.Trace{Unit: "%", Scale: 100, To: snap.T, Width: width, Height: height, Limits: []chart.Level{{Text: "limit", Y: 1}, {Text: "target", Y: 0.65}}}
	for i, k := range snap.Sockets {
		line := chart.NewSeries(400)
		for at := time.Duration(0); at < snap.T; at += snap.T / 300 {
			line.Add(at, (0.6+0.01*float64(i))*(1-math.Exp(-at.Minutes()/6)))
		}
		t.Lines = append(t.Lines, chart.Line{Name: k.Name, Series: line})
	}
	return t, true
}

func (s *stage) Look(_ context.Context, _ string, l report.Look) (panel.Seen, error) {
	st := s.State()
	l = l.Within(st.Snapshot.T)
	t, _ := s.Trace(l.Width, l.Height)
	t.From, t.To = l.From, l.To
	return panel.Seen{Trace: t, Look: l, Run: st.RunID, Job: &bench.Job{}, End: st.Snapshot.T, Live: true}, nil
}

// stand is a way for things to stand, as wide words as there are.
type stand struct {
	name  string
	phase alarms.Phase
	alarm alarms.Priority // of the last socket; empty for none
	state alarms.State
	blind bool // the last socket is unknown
}

var stands = []stand{
	{name: "standby", phase: alarms.Standby},
	{name: "warm-up", phase: alarms.WarmUp},
	{name: "soak", phase: alarms.Soak},
	{name: "cool-down", phase: alarms.CoolDown},
	{name: "ended", phase: alarms.Ended},
	{name: "low", phase: alarms.Soak, alarm: alarms.Low, state: alarms.Unacknowledged},
	{name: "medium", phase: alarms.WarmUp, alarm: alarms.Medium, state: alarms.Unacknowledged},
	{name: "medium, nothing known", phase: alarms.Soak, alarm: alarms.Medium, state: alarms.Acknowledged, blind: true},
	{name: "high", phase: alarms.Soak, alarm: alarms.High, state: alarms.Unacknowledged},
	{name: "high, acknowledged", phase: alarms.Soak, alarm: alarms.High, state: alarms.Acknowledged},
	{name: "high, over", phase: alarms.CoolDown, alarm: alarms.High, state: alarms.Returned},
}

// set puts n sockets on the stage.
func (s *stage) set(n int, as stand) {
	is := func(x float64) socket.Value { return socket.Value{X: x, Known: true} }
	charged := true
	snap := alarms.Snapshot{Phase: as.phase, T: 10*time.Hour + 52*time.Minute, PhaseSince: 22 * time.Minute, HT: alarms.HTState{Volts: is(462), Charged: &charged}}
	up := as.phase == alarms.WarmUp || as.phase == alarms.Soak
	if !up {
		snap.HT.Volts = is(61.3)
	}
	for i := range n {
		k := alarms.SocketState{Name: fmt.Sprint("V", 5+i), Tube: "6L6GC", Limit: 30, Age: is(0.2), Target: 0.65, TargetTolerance: 0.05, DriftPerHour: is(-0.004 * float64(i)), Settled: as.phase == alarms.Soak}
		ma := 0.1
		if up {
			ma = 38.4 + 0.9*float64(i%5)
		}
		if as.phase == alarms.WarmUp {
			k.SettlesIn, k.DriftPerHour = is(1740), is(1.33)
		}
		last := i == n-1
		if last && as.alarm == alarms.High && up {
			ma, k.DriftPerHour, k.SettledRatio = 69.3, is(2.14), is(0.63)
		}
		if last && as.blind {
			k.Why, k.DriftPerHour = fmt.Sprintf("k%d silent for 49 s", i+1), socket.Value{}
		} else {
			w := ma / 1000 * 462
			k.Figures = socket.Figures{CathodeCurrent: is(ma / 1000), PlateCurrent: is(ma / 1000), PlateVolts: is(462), PlateDissipation: is(w), DissipationRatio: socket.Value{X: w / 30, U: 0.01, Known: true}}
		}
		snap.Sockets = append(snap.Sockets, k)
		snap.Meters = append(snap.Meters, alarms.MeterState{Name: fmt.Sprint("k", i+1), State: "ok", Age: is(0.2)})
	}
	if as.alarm != "" {
		name := map[alarms.Priority]string{alarms.High: "over-dissipation", alarms.Medium: "no-conduction", alarms.Low: "idle-off-target"}[as.alarm]
		subject := snap.Sockets[n-1].Name
		snap.Alarms = append(snap.Alarms, alarms.AlarmState{ID: name + "/" + subject, Alarm: name, Subject: subject, Priority: as.alarm, State: as.state, Active: as.state != alarms.Returned, Since: snap.T - time.Hour,
			Text: subject + " rises faster and faster: 89 % of its limit, which it reaches in 8 to 12 min", Advice: "Switch the amplifier off at the mains, and prove every capacitor dead. Then look for a leaking coupling capacitor."})
	}
	state := &export.State{Bench: "north", RunID: "r", Ticket: "R-1187", Amplifier: "four-tube bass head, 100 W", Snapshot: snap, Rejects: make([]drivers.Rejects, n), Cutoff: cutoff.State{State: cutoff.Absent}}
	s.state.Store(state)
}

// onStage serves a stage.
func onStage(t *testing.T) (s *stage, url string) {
	s = &stage{}
	s.set(4, stands[2])
	srv := httptest.NewServer(panel.New(s, panel.Options{}))
	t.Cleanup(srv.CloseClientConnections)
	return s, srv.URL + "/"
}

// keep writes a picture of the page into the folder NIGHTSOAK_SHOTS, for eyes.
func (p *tab) keep(t *testing.T, name string) {
	dir := os.Getenv("NIGHTSOAK_SHOTS")
	if dir == "" {
		return
	}
	ctx, cancel := context.WithTimeout(p.ctx, 30*time.Second)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, strings.NewReplacer(" ", "-", ",", "").Replace(name)+".png"), png, 0o644)
	}
	if err != nil {
		t.Error(err)
	}
}

// TestWallGeometry: everything on the screen, nothing over anything else, and to
// be read from where the wall is read, on every screen with every number of
// sockets, whatever has happened.
func TestWallGeometry(t *testing.T) {
	s, url := onStage(t)
	p := openTab(t)
	for _, screen := range [][2]int64{{1280, 720}, {1920, 1080}, {3840, 2160}, {1080, 1920}} {
		least := math.Inf(1)
		for _, n := range []int{1, 2, 4, 8, 12} {
			for _, as := range stands {
				s.set(n, as)
				p.open(t, url+"wall", screen[0], screen[1])
				p.becomes(t, "the strip is drawn for its place", `document.querySelector('#trace svg').clientHeight > 0`)
				w := checkWall(t, p, fmt.Sprintf("%d by %d, %d sockets, %s", screen[0], screen[1], n, as.name), n, float64(min(screen[0], screen[1]))/1080)
				for _, tile := range w.Tiles {
					if tile.Digits > 0 {
						least = min(least, tile.Numeral)
					}
				}
				p.keep(t, fmt.Sprintf("wall-%dx%d-%02d-%s", screen[0], screen[1], n, as.name))
			}
		}
		t.Logf("%d by %d: the lowest share of the limit is %.0f pixels high, %.0f %% of the screen", screen[0], screen[1], least, 100*least/float64(screen[1]))
	}
	if _, trouble := p.heard(); len(trouble) > 0 {
		t.Errorf("the pages complained: %q", trouble)
	}
}

// contrasts are the least contrasts of the wall's figures and words with what is
// behind them (WCAG 2.2, "contrast ratio" and "relative luminance").
const contrasts = `(() => {
	const rgb = s => (s.match(/[\d.]+/g) ?? []).map(Number)
	const lum = c => { const [r, g, b] = c.slice(0, 3).map(v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b }
	const ratio = (a, b) => { const [x, y] = [lum(rgb(a)), lum(rgb(b))].sort((m, n) => n - m); return (x + 0.05) / (y + 0.05) }
	const under = e => { for (; e; e = e.parentElement) { const b = getComputedStyle(e).backgroundColor; if (!/^rgba.*, 0\)$/.test(b)) return [b] } return [] }
	const figures = {}, words = {}
	for (const s of document.querySelectorAll('.socket')) {
		const behind = [...under(s.querySelector('.glass')), ...[...s.querySelectorAll('.fill')].map(f => getComputedStyle(f).fill)]
		for (const sel of ['.share .numeral', '.share .of', '.current', '.drift', '.settle']) for (const e of s.querySelectorAll(sel)) if (e.textContent.trim() || e.matches('svg'))
			figures[s.dataset.key + ' ' + sel] = Math.min(...behind.map(b => ratio(getComputedStyle(e).color, b)))
	}
	for (const sel of ['.volts .numeral', '.phase b', '.phase span', '.who b']) for (const e of document.querySelectorAll(sel)) figures[sel] = ratio(getComputedStyle(e).color, under(e)[0])
	for (const sel of ['.who span', '.flag', '.base b', '.base span', '.words', '#verdict b', '#verdict span', '.calm', '.share b', '.ht small']) for (const e of document.querySelectorAll(sel))
		if (e.textContent.trim()) words[sel] = Math.min(words[sel] ?? 99, ratio(getComputedStyle(e).color, under(e)[0]))
	return {Figures: figures, Words: words}
})()`

// TestWallContrast: figures at 7 to 1 (WCAG 2.2, 1.4.6, AAA), words at 4.5 to 1
// (1.4.3, AA), dark, by day and dimmed at night. axe does not judge what is drawn.
func TestWallContrast(t *testing.T) {
	s, url := onStage(t)
	p := openTab(t)
	for _, look := range []string{"dark", "light", "night"} {
		least, leastWord := 99.0, 99.0
		for _, as := range stands {
			s.set(4, as)
			p.open(t, url+"wall?look="+strings.Replace(look, "night", "dark", 1), 1920, 1080)
			p.becomes(t, "its script runs", `document.documentElement.style.getPropertyValue('--aside') != ''`)
			see[any](t, p, fmt.Sprintf(`document.documentElement.classList.toggle('night', %t)`, look == "night"))
			got := see[struct{ Figures, Words map[string]float64 }](t, p, contrasts)
			if len(got.Figures) < 12 || len(got.Words) < 4 {
				t.Fatalf("%s, %s: only %v", look, as.name, got)
			}
			for what, c := range got.Figures {
				if least = min(least, c); c < 7 {
					t.Errorf("%s, %s: %s has a contrast of %.2f", look, as.name, what, c)
				}
			}
			for what, c := range got.Words {
				if leastWord = min(leastWord, c); c < 4.5 {
					t.Errorf("%s, %s: %s has a contrast of %.2f", look, as.name, what, c)
				}
			}
			p.keep(t, fmt.Sprintf("look-%s-%s", look, as.name))
		}
		t.Logf("%s: figures at least %.1f to 1, words %.1f to 1", look, least, leastWord)
	}
}

// reduced asks a page for reduced motion.
func reduced(t *testing.T, p *tab) {
	t.Helper()
	p.do(t, "reduced motion", chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}})
		return err
	}))
}

// TestFlash: what calls flashes at 1.4 to 2.8 Hz (IEC 60073, second-hand), under
// the three a second of WCAG 2.2, 2.3.1; not at all for who wants no motion, and
// not once it was acknowledged.
func TestFlash(t *testing.T) {
	s, url := onStage(t)
	p := openTab(t)
	const periods = `[...document.querySelectorAll('.sign')].map(e => getComputedStyle(e)).filter(c => c.animationName != 'none').map(c => parseFloat(c.animationDuration))`
	s.set(4, stands[8])
	p.open(t, url+"wall", 1920, 1080)
	flashing := see[[]float64](t, p, periods)
	if len(flashing) != 2 { // on the socket and in the line
		t.Errorf("%v flash", flashing)
	}
	for _, period := range flashing {
		if hertz := 1 / period; hertz < 1.4 || hertz > 2.8 {
			t.Errorf("flashes at %.2f Hz", hertz)
		}
	}
	s.set(4, stands[9])
	p.open(t, url+"wall", 1920, 1080)
	if still := see[[]float64](t, p, periods); len(still) != 0 {
		t.Errorf("acknowledged, and %v flash", still)
	}
	s.set(4, stands[8])
	reduced(t, p)
	p.open(t, url+"wall", 1920, 1080)
	if still := see[[]float64](t, p, periods); len(still) != 0 {
		t.Errorf("without motion %v flash", still)
	}
}
