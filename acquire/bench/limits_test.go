package bench

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A limits file changes what it names and nothing else; a wrong one says where
// and what, and changes nothing at all.
func TestLoadLimits(t *testing.T) {
	b := mustBench(t, "testdata/bench.toml")
	load := func(text string) (before, after *Job, err error) {
		path := filepath.Join(t.TempDir(), "l.toml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		before, err = LoadJob("testdata/job.toml", b)
		if err != nil {
			t.Fatal(err)
		}
		changed := *before
		err = changed.LoadLimits(path)
		return before, &changed, err
	}

	before, after, err := load("# what if\n[limits]\ndrift = \"5%\"\nsettle_rate = \"3% per 2m\"\n")
	want := before.Limits
	want.Drift, want.SettleRate, want.SettlePer = 0.05, 0.03, 2*time.Minute
	if err != nil || after.Limits != want {
		t.Errorf("%v\nlimits are %+v,\nwant       %+v", err, after.Limits, want)
	}
	for _, c := range []struct{ text, says string }{
		{"[limits]\n\ndrfit = \"5%\"\n", `l.toml:3:1: limits.drfit = "5%": unknown key; known are`},
		{"[limits]\ndrfit = \"5%\"\n", `(did you mean "drift"?)`},
		{"[limits]\nstep = \"6%\"\ndrift = 5\n", `l.toml:3:1: limits.drift = 5: must be a percentage in quotes`},
		{"drift = \"5%\"\n", `l.toml:1:1: limits: is missing: write [limits] above`},
		{"", `l.toml:1:1: limits: is missing`},
		{"limits = 5\n", `l.toml:1:1: limits = 5: must be a table`},
		{"ticket = \"R-1\"\n[limits]\n", `l.toml:1:1: ticket = "R-1": unknown key; known are limits`},
		{"[limits]\ndissipation = \"50%\"\n", `l.toml:2:1: limits.dissipation = "50%": is under the job's idle_target (65 %)`},
		{"[limits]\ndrift = \n", `l.toml:2:9: `},
	} {
		before, after, err := load(c.text)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, want %q", c.text, err, c.says)
		}
		judge(t, []byte(c.text), err)
		if after.Limits != before.Limits {
			t.Errorf("%q: refused, and the limits are %+v", c.text, after.Limits)
		}
	}
	if err := after.LoadLimits("testdata/not-there.toml"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
}
