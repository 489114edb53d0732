//go:build browser && linux

package main

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/chromedp/chromedp"
)

// startSetup starts the set-up page for a folder and returns its address.
func startSetup(t *testing.T, dir string) string {
	t.Helper()
	c := command(t, "setup", dir, "--listen", "127.0.0.1:0")
	c.Stderr = os.Stderr
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { end(t, c) })
	line, err := bufio.NewReader(out).ReadString('\n')
	url, ok := strings.CutPrefix(strings.TrimSpace(line), "set-up page: ")
	if err != nil || !ok {
		t.Fatalf("it printed %q: %v", line, err)
	}
	return url
}

func end(t *testing.T, c *exec.Cmd) {
	c.Process.Signal(syscall.SIGTERM)
	if err := c.Wait(); err != nil {
		t.Errorf("setup ended: %v", err)
	}
}

// From an empty folder to two files with which every meter is read, in a real
// browser, on real terminals, without a script; then by hand, and nothing is lost.
func TestSetup(t *testing.T) {
	r := newRig(t)
	dir := t.TempDir()
	p := openTab(t)
	p.open(t, startSetup(t, dir), 1280, 900)
	press := func(value string) {
		t.Helper()
		see[string](t, p, `document.body.dataset.before = "yes"`)
		p.do(t, value, chromedp.Click(chromedp.CSS(fmt.Sprintf(`button[value=%q]:not(.first)`, value))))
		p.becomes(t, "the page after it", `document.readyState == 'complete' && !document.body.dataset.before`)
	}
	// fill types into the nth field of a name.
	fill := func(name string, n int, text string) {
		t.Helper()
		field := fmt.Sprintf(`document.querySelectorAll('[name=%q]')[%d]`, name, n)
		see[bool](t, p, field+`.select() || `+field+`.focus() || true`)
		p.do(t, name, chromedp.KeyEvent(text))
	}
	for i, name := range []string{"k1", "k2", "k3", "k4", "ht"} {
		press("add-meter")
		p.becomes(t, "a meter more", fmt.Sprintf(`document.querySelectorAll('[name="meter.name"]').length == %d`, i+1))
		fill("meter.name", i, name)
		fill("meter.port", i, r.Port(name))
		press(fmt.Sprint("listen:", i))
		p.becomes(t, name+" recognised", `/recognised as \w+, \d+ % sure; its display shows -?[\d.]+ m?V/.test(document.querySelector('.heard')?.innerText ?? '')`)
	}
	fill("job.ticket", 0, "R-1187")
	fill("job.amplifier", 0, "four-tube bass head, 100 W")
	fill("job.idle_target", 0, "65")
	for i := range 4 {
		press("add-socket")
		p.becomes(t, "a socket more", fmt.Sprintf(`document.querySelectorAll('[name="socket.name"]').length == %d`, i+1))
		if i == 0 {
			fill("socket.name", 0, "V5")
			fill("socket.tube", 0, "6L6GC")
		}
	}
	if got := see[string](t, p, `[...document.querySelectorAll('[name="socket.name"], [name="socket.meter"]')].map(e => e.value).join(' ')`); got != "V5 k1 V6 k2 V7 k3 V8 k4" {
		t.Errorf("the sockets are laid out as %s", got)
	}
	press("look")
	p.becomes(t, "the wiring sheet", `(document.body?.innerText ?? '').includes('Wiring sheet') && document.body.innerText.includes('V8')`)
	press("save")
	p.becomes(t, "written", `(document.querySelector('.told')?.innerText ?? '').startsWith('Written: ')`)
	files := []string{"--bench", filepath.Join(dir, "bench.toml"), "--job", filepath.Join(dir, "job.toml")}
	if out, errOut, code := nightsoak(t, append([]string{"check", "--live"}, files...)...); code != 0 {
		t.Errorf("check --live: %d\n%s%s", code, out, errOut)
	}
	for _, w := range []int64{1920, 1024, 390} {
		p.do(t, "screen", chromedp.EmulateViewport(w, 900))
		if wide := see[int](t, p, `document.documentElement.scrollWidth`); int64(wide) > w {
			t.Errorf("at %d pixels the page is %d wide", w, wide)
		}
		for _, wrong := range p.axe(t) {
			t.Errorf("%d wide: %s", w, wrong)
		}
	}

	// A person writes below the line, then above it.
	bench := filepath.Join(dir, "bench.toml")
	text, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	below := string(text) + "\n[panel]\nlisten = \"127.0.0.1:0\"\n"
	if err := os.WriteFile(bench, []byte(below), 0o600); err != nil {
		t.Fatal(err)
	}
	fill("meter.accuracy", 0, "0.5% + 3")
	press("save")
	p.becomes(t, "not over another's work", `(document.querySelector('.told.medium')?.innerText ?? '').includes('changed by somebody else')`)
	if now, _ := os.ReadFile(bench); string(now) != below {
		t.Errorf("it wrote\n%s", now)
	}
	p.do(t, "load anew", chromedp.Reload()) // of what was posted: the fields stay, and so does the refusal
	p.open(t, see[string](t, p, `location.origin + '/'`), 1280, 900)
	fill("meter.accuracy", 0, "0.5% + 3")
	press("save")
	p.becomes(t, "written", `(document.querySelector('.told')?.innerText ?? '').startsWith('Written: ')`)
	now, _ := os.ReadFile(bench)
	if s := string(now); !strings.Contains(s, `accuracy = "0.5% + 3"`) || !strings.HasSuffix(s, "[panel]\nlisten = \"127.0.0.1:0\"\n") {
		t.Errorf("it wrote\n%s", s)
	}
	if kept, _ := os.ReadFile(bench + "~"); string(kept) != below {
		t.Errorf("kept beside it is\n%s", kept)
	}
	if err := os.WriteFile(bench, append([]byte("# the bench at the window\n"), now...), 0o600); err != nil {
		t.Fatal(err)
	}
	p.open(t, see[string](t, p, `location.origin + '/'`), 1280, 900)
	if got := see[string](t, p, `document.querySelector('[name="bench.text"]')?.value`); !strings.HasPrefix(got, "# the bench at the window\n") {
		t.Errorf("edited above the line, it is shown as %q", got)
	}
	_, trouble := p.heard()
	for _, c := range trouble {
		if !strings.Contains(c, "422") { // the refusal above, and that again
			t.Errorf("the page complains: %q", c)
		}
	}
}
