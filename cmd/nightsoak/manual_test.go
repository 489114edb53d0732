//go:build servers

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The pages and completions, judged by groff and by the three shells themselves.
func TestManual(t *testing.T) {
	dir := t.TempDir()
	must(t, "manual", dir)
	run := func(name string, args ...string) string {
		t.Helper()
		c := exec.Command(name, args...)
		c.Dir = dir
		out, err := c.CombinedOutput()
		if err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
		return string(out)
	}

	// Every command that --help lists has a page, with every flag that its own --help has.
	commands := regexp.MustCompile(`(?m)^  ([a-z-]+)(?: <| \[|  )`).FindAllStringSubmatch(must(t, "--help"), -1)
	if len(commands) < 25 {
		t.Errorf("only %d commands found", len(commands))
	}
	for _, c := range commands {
		page := "nightsoak-" + c[1] + ".1"
		if out := run("groff", "-man", "-Tutf8", "-ww", "-z", page); out != "" {
			t.Errorf("%s: groff: %s", page, out)
		}
		text, err := os.ReadFile(filepath.Join(dir, page))
		if err != nil {
			t.Fatal(err)
		}
		for _, flag := range regexp.MustCompile(`(?m)^ +(?:-h, )?(--[a-z-]+)`).FindAllStringSubmatch(must(t, c[1], "--help"), -1) {
			if !strings.Contains(string(text), strings.ReplaceAll(flag[1], "-", `\-`)) {
				t.Errorf("%s has no %s", page, flag[1])
			}
		}
	}
	if out := run("groff", "-man", "-Tutf8", "-ww", "-z", "nightsoak.1"); out != "" {
		t.Errorf("nightsoak.1: groff: %s", out)
	}

	for _, c := range []struct{ line, want string }{
		{"nightsoak sh", "shelve"},
		{"nightsoak demo --fault r", "runaway"},
		{"nightsoak demo --fault=r", "runaway"},
		{"nightsoak listen /dev/ttyUSB0 --format scp", "scpi"},
		{"nightsoak tubes 6L6G", "6L6GC"},
		{"nightsoak report R-1187 --pa", "--paper"},
	} {
		// bash: what readline would hand over, its words split at "=" as well.
		words := strings.Fields(strings.ReplaceAll(c.line, "=", " = "))
		script := "source nightsoak.bash; COMP_WORDS=(" + strings.Join(words, " ") + "); COMP_CWORD=$((${#COMP_WORDS[@]}-1)); _nightsoak; printf '%s\\n' \"${COMPREPLY[@]}\""
		if got := strings.Fields(run("bash", "-euc", script)); !slices.Contains(got, c.want) || len(got) > 3 {
			t.Errorf("bash: %s: %q, want %s", c.line, got, c.want)
		}
		// fish says itself what it would offer.
		offered := run("fish", "--no-config", "-c", "source nightsoak.fish; complete -C '"+c.line+"'")
		got := []string{}
		for _, l := range strings.Split(strings.TrimSpace(offered), "\n") {
			word, _, _ := strings.Cut(l, "\t")
			_, v, is := strings.Cut(word, "=")
			if !is {
				v = word
			}
			got = append(got, v)
		}
		if !slices.Contains(got, c.want) {
			t.Errorf("fish: %s: %q, want %s", c.line, got, c.want)
		}
	}

	// zsh completes only at a prompt: one on a terminal of its own, Tab pressed.
	prompt := `zmodload zsh/zpty
zpty z zsh -f
zpty -w z 'PS1=; fpath=($PWD $fpath); autoload -U compinit; compinit -u -d ./dump; bindkey "^I" expand-or-complete; echo REA''DY'
zpty -r z out '*READY*'
zpty -n -w z $'nightsoak demo --fault=runa\t'
zpty -n -w z $'; nightsoak shel\t'
zpty -n -w z $'; echo DO""NE\n'
zpty -r z out '*DONE*'
print -r -- $out`
	for _, want := range []string{"--fault=runaway", "shelve"} {
		if out := run("zsh", "-fc", "TERM=dumb; "+prompt); !strings.Contains(out, want) {
			t.Errorf("zsh: no %s in %q", want, out)
		}
	}
}
