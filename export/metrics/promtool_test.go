//go:build servers

package metrics

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// TestPromtool has Prometheus' own checker (Debian package prometheus) read a
// whole scrape. Where it is not installed the test says so; under CI that fails.
func TestPromtool(t *testing.T) {
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("promtool is not installed: apt-get install prometheus")
		}
		t.Log("NOT CHECKED: promtool is not installed (Debian package prometheus)")
		return
	}
	body, _ := scrape(t, bench(), "")
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(body)
	out, err := cmd.CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}
