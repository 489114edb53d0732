//go:build browser && linux

package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// CUT NOW asks nothing and drops; arming again asks first.
func TestCutNowButton(t *testing.T) {
	file := filepath.Join(t.TempDir(), "dropped")
	b := newTextBench(t, 3, "[cutoff]\nby = \"command\"\ncommand = [\"touch\", \""+file+"\"]\nwhen = [\"runaway\"]\n")
	s := start(t, b.files...)
	s.cutUntil(t, "HT up", 10*time.Second, armedAndUp)
	p := openTab(t)
	p.open(t, s.url, 1280, 900)
	p.becomes(t, "armed", `document.querySelector('#cutoff b').textContent === 'Cut-off armed'`)
	if top := see[float64](t, p, `document.querySelector('#cutoff > button').getBoundingClientRect().bottom`); top > 900 {
		t.Errorf("CUT NOW ends %v px down: it must be seen without scrolling", top)
	}
	p.do(t, "CUT NOW", chromedp.Click(chromedp.CSS(`#cutoff > button`)))
	p.becomes(t, "told to drop", `document.querySelector('#cutoff b').textContent.startsWith('Told to drop the mains')`)
	if _, err := os.Stat(file); err != nil {
		t.Error(err)
	}
	see[any](t, p, `window.confirm = () => false`)
	p.do(t, "Arm again, and no", chromedp.Click(chromedp.CSS(`#cutoff form button`)))
	if st := s.cutUntil(t, "still cut", time.Second, isCut); st.Cutoff.State != "cut" {
		t.Error(st)
	}
	see[any](t, p, `window.confirm = () => true`)
	p.do(t, "Arm again, and yes", chromedp.Click(chromedp.CSS(`#cutoff form button`)))
	p.becomes(t, "armed again", `document.querySelector('#cutoff b').textContent === 'Cut-off armed'`)
	if _, trouble := p.heard(); len(trouble) > 0 {
		t.Errorf("the page complains: %q", trouble)
	}
	s.stop(t)
}
