//go:build browser && linux

package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// The departure check in a real browser with JavaScript off: its form is sent, and
// taken as from the daemon's own page.
func TestWalkawayWithoutScript(t *testing.T) {
	b := newTextBench(t, 3, "")
	s := start(t, b.files...)
	s.cutUntil(t, "HT up", 10*time.Second, func(st cutState) bool { return st.Run != nil && st.Run.Phase == "warm-up" })
	p := openTab(t)
	p.do(t, "no script", chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}))
	p.open(t, s.url+"walkaway", 1280, 900)
	p.do(t, "tick and check", chromedp.Click(chromedp.CSS(`input[value="covers"]`)), chromedp.Click(chromedp.CSS(`button[value="check"]:not([hidden])`)))
	p.becomes(t, "taken", `document.body.innerText.includes('Checked, and put into the record')`)
	if text := see[string](t, p, `document.body.innerText`); !strings.Contains(text, "covers and guards on: confirmed") || !strings.Contains(text, "no cut-off: nothing drops the mains") {
		t.Error(text)
	}
	if wide := see[bool](t, p, `document.documentElement.scrollWidth > innerWidth`); wide {
		t.Error("the page is wider than its screen")
	}
	if _, trouble := p.heard(); len(trouble) > 0 {
		t.Errorf("the page complains: %q", trouble)
	}
	s.stop(t)
	if events := recorded(t, b.dir, ""); !strings.Contains(events, `"act":"walkaway"`) {
		t.Errorf("not in the record:\n%s", events)
	}
}
