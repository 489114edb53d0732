//go:build browser

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// axe has the page judged by axe-core, all of its rules, and is what it found.
// .ci/run installs it beside the tree.
func (p *tab) axe(t *testing.T) []string {
	t.Helper()
	file := os.Getenv("NIGHTSOAK_AXE")
	if file == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			t.Fatal(err)
		}
		file = filepath.Join(cache, "nightsoak", "node_modules", "axe-core", "axe.min.js")
	}
	script, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("axe-core is needed: %v: npm install --prefix ~/.cache/nightsoak axe-core, or name its axe.min.js in NIGHTSOAK_AXE", err)
	}
	ctx, cancel := context.WithTimeout(p.ctx, time.Minute) // bounds failure only
	defer cancel()
	// What moves is judged at rest, and the sheet that covers a page without news is not the page.
	found, err := chromedp.Run(ctx, chromedp.Evaluate[string](string(script)+`;
		axe.run(document, {resultTypes: ['violations']}).then(r => JSON.stringify({
			passes: r.passes.length,
			wrong: r.violations.flatMap(v => v.nodes.map(n => v.id + ' (' + v.impact + '): ' + v.help + ': ' + n.html.slice(0, 160) + ' ' + n.any.concat(n.all).map(c => c.message).join('; ').slice(0, 200)))}))`, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Passes int
		Wrong  []string
	}
	if err := json.Unmarshal([]byte(found), &got); err != nil || got.Passes < 10 {
		t.Fatalf("axe-core judged by %d rules: %v", got.Passes, err)
	}
	return got.Wrong
}

// TestAxe: no page has anything that axe-core finds wrong, dark and by day, on a
// screen and on a phone, in a night with an alarm.
func TestAxe(t *testing.T) {
	s := start(t, "demo", "--speed", "80", "--fault", "runaway", "--listen", "127.0.0.1:0", "--dir", t.TempDir())
	must(t, "out-of-service", "over-dissipation/V7", "--by", "the browser's test", "V7 is to be seen over its limit", "--at", s.url)
	s.until(t, "V7 runs away", 90*time.Second, func(st remoteState) bool {
		return slices.ContainsFunc(st.Alarms, func(a alarm) bool { return a.ID == "runaway/V7" })
	})
	p := openTab(t)
	checks := 0
	judge := func(page string, width, height int64) {
		t.Helper()
		p.open(t, s.url+page, width, height)
		for _, wrong := range p.axe(t) {
			t.Errorf("%s, %d wide: %s", page, width, wrong)
		}
		checks++
	}
	for _, look := range []string{"dark", "light"} {
		for _, page := range []string{"", "wall", "idle", "walkaway", "runs"} {
			judge(page+"?look="+look, 1920, 1080)
			judge(page+"?look="+look, 390, 844)
			p.keep(t, fmt.Sprintf("axe-%s-%s", page, look))
		}
	}
	t.Logf("%d pages judged", checks)
}

// TestAxeReport: nor has the report of a run, as a page.
func TestAxeReport(t *testing.T) {
	s := start(t, "demo", "--speed", "240", "--fault", "drift", "--listen", "127.0.0.1:0", "--dir", t.TempDir())
	var run string
	s.until(t, "the soak", 60*time.Second, func(st remoteState) bool {
		run = st.Run.ID
		return st.Run.Phase == "soak"
	})
	p := openTab(t)
	// As the panel serves it, no script runs in it, not axe-core either: as a file, it may.
	file := filepath.Join(t.TempDir(), "report.html")
	must(t, "report", run, "--data", s.record, "--out", file)
	p.open(t, "file://"+file, 1280, 1024)
	for _, wrong := range p.axe(t) {
		t.Error(wrong)
	}
}

// clipped are elements whose words do not fit, and the page if it runs out sideways.
const clipped = `(() => {
	const wrong = []
	const root = document.documentElement
	if (root.scrollWidth > innerWidth) wrong.push('the page is ' + (root.scrollWidth - innerWidth) + ' pixels too wide')
	for (const e of document.querySelectorAll('body *')) {
		const c = getComputedStyle(e)
		if (e.closest('svg') || !e.textContent.trim() || c.visibility == 'hidden') continue
		const cuts = o => o == 'hidden' || o == 'clip'
		if (cuts(c.overflowX) && e.scrollWidth > e.clientWidth + 1 || cuts(c.overflowY) && e.scrollHeight > e.clientHeight + 1)
			wrong.push(e.tagName + '.' + e.className + ' cuts "' + e.textContent.trim().slice(0, 60) + '"')
	}
	return wrong
})()`

// TestText200: at 200 % nothing is lost (WCAG 2.2, 1.4.4): with the browser's own
// zoom, which is a screen of half the size, and with type of twice the size.
func TestText200(t *testing.T) {
	s, url := onStage(t)
	p := openTab(t)
	for _, as := range stands {
		s.set(4, as)
		for _, page := range []string{"", "wall", "idle"} {
			for how, size := range map[string][2]int64{"zoomed": {640, 512}, "with large type": {1280, 1024}} {
				p.open(t, url+page, size[0], size[1])
				p.becomes(t, "drawn", `document.querySelector('#stale') != null`)
				if how != "zoomed" {
					see[any](t, p, `document.documentElement.style.fontSize = '200%'`)
				}
				for _, wrong := range see[[]string](t, p, clipped) {
					t.Errorf("/%s %s, %s: %s", page, how, as.name, wrong)
				}
				p.keep(t, strings.TrimSpace(fmt.Sprintf("text200 %s %s %s", page, how, as.name)))
			}
		}
	}
}
