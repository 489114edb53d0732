//go:build servers

package metrics

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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

// TestRules has promtool check the rules and the example configuration, and run
// the rules' own tests; which must fail once any of the rules is missing.
func TestRules(t *testing.T) {
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is not installed: apt-get install prometheus")
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("prometheus")); err != nil {
		t.Fatal(err)
	}
	tool := func(args ...string) (string, error) {
		cmd := exec.CommandContext(t.Context(), promtool, args...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	for _, args := range [][]string{{"check", "rules", "--lint=all", "--lint-fatal", "rules.yml"}, {"check", "config", "prometheus.yml"}, {"test", "rules", "rules_test.yml"}} {
		if out, err := tool(args...); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	file := filepath.Join(dir, "rules.yml")
	rules, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`(?m)^      - (alert|record): (\S+)$`).FindAllStringSubmatchIndex(string(rules), -1)
	if len(names) != 9 {
		t.Errorf("%d rules found", len(names))
	}
	for _, at := range names {
		without := string(rules[:at[5]]) + "x" + string(rules[at[5]:])
		if err := os.WriteFile(file, []byte(without), 0o600); err != nil {
			t.Fatal(err)
		}
		if out, err := tool("test", "rules", "rules_test.yml"); err == nil {
			t.Errorf("the tests pass without %s:\n%s", rules[at[4]:at[5]], out)
		}
	}
}
