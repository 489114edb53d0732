//go:build servers

// Package systemd_test holds the service's files to what systemd itself says of
// them.
package systemd_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// run is what a program says, and whether it ended well.
func run(name string, args ...string) (string, error) {
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "SYSTEMD_LOG_LEVEL=notice", "SYSTEMD_COLORS=0", "SYSTEMD_EMOJI=0", "SYSTEMD_PAGER=")
	out, err := c.CombinedOutput()
	return string(out), err
}

// unitsHere lays the units out in a folder, with a program that exists here.
func unitsHere(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"nightsoak.service", "nightsoak@.service", "nightsoak.socket"} {
		text := strings.ReplaceAll(read(t, name), "/usr/bin/nightsoak", "/bin/true")
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// systemd-analyze verify has nothing to say, and has something of a misspelt unit.
func TestVerify(t *testing.T) {
	dir := unitsHere(t)
	for _, unit := range []string{"nightsoak.service", "nightsoak@north.service", "nightsoak.socket"} {
		out, err := run("systemd-analyze", "verify", "--man=no", filepath.Join(dir, unit))
		if err != nil || strings.Contains(out, "nightsoak") {
			t.Errorf("%s: %v\n%s", unit, err, out)
		}
	}
	wrong := filepath.Join(dir, "nightsoak.service")
	if err := os.WriteFile(wrong, []byte(strings.Replace(read(t, wrong), "WatchdogSec", "WatchdgSec", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, _ := run("systemd-analyze", "verify", "--man=no", wrong); !strings.Contains(out, "WatchdgSec") {
		t.Errorf("a misspelt key was not noticed: %s", out)
	}
}

// The exposure that systemd-analyze gives, and that the unit explains each line it
// is made of.
func TestSecurity(t *testing.T) {
	dir := unitsHere(t)
	for _, unit := range []string{"nightsoak.service", "nightsoak@north.service"} {
		out, err := run("systemd-analyze", "security", "--offline=yes", filepath.Join(dir, unit))
		m := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`).FindStringSubmatch(out)
		if err != nil || m == nil {
			t.Fatalf("%s: %v\n%s", unit, err, out)
		}
		exposure, err := strconv.ParseFloat(m[1], 64)
		if err != nil || exposure > 1.5 {
			t.Errorf("%s: exposure %s\n%s", unit, m[1], out)
		}
		t.Logf("%s: exposure %s", unit, m[1])
		_, explained, _ := strings.Cut(read(t, "nightsoak.service"), "still counts")
		counted := regexp.MustCompile(`(?m)^✗ ([A-Za-z]+)=(?:~(AF_[A-Z]+)|~AF_\(INET\|INET6\))?`).FindAllStringSubmatch(out, -1)
		if len(counted) == 0 {
			t.Errorf("nothing counted?\n%s", out)
		}
		for _, c := range counted {
			what := c[1]
			switch {
			case c[2] != "":
				what = c[2]
			case what == "RestrictAddressFamilies":
				what = "AF_INET"
			}
			if !strings.Contains(explained, what) {
				t.Errorf("%s: %s is not explained in the unit", unit, what)
			}
		}
	}
}

// The template is the unit, but for where its files are and what it is called.
func TestTemplate(t *testing.T) {
	body := func(name string) string {
		_, b, _ := strings.Cut(read(t, name), "[Unit]\n")
		return b
	}
	want := strings.NewReplacer("/etc/nightsoak/", "/etc/nightsoak/%i/", "StateDirectory=nightsoak", "StateDirectory=nightsoak-%i",
		"Description=nightsoak,", "Description=nightsoak for bench %i,", "edit nightsoak`", "edit nightsoak@%i`").Replace(body("nightsoak.service"))
	if got := body("nightsoak@.service"); got != want {
		t.Errorf("nightsoak@.service is not nightsoak.service with %%i:\n%s", got)
	}
}

// udev reads the rules without a complaint, and complains of a wrong one. What they
// match needs USB devices, which are not here.
func TestUdevRules(t *testing.T) {
	const place = "/run/udev/rules.d/70-nightsoak.rules"
	if _, err := os.Stat(place); err == nil {
		t.Fatalf("%s is there already", place)
	}
	if err := os.MkdirAll(filepath.Dir(place), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Remove(place) })
	complaints := func(rules string) string {
		if err := os.WriteFile(place, []byte(rules), 0o644); err != nil {
			t.Fatal(err)
		}
		c := exec.Command("udevadm", "test", "/sys/class/mem/null")
		out, _ := c.CombinedOutput()
		if !bytes.Contains(out, []byte("Reading rules file: "+place)) {
			t.Fatalf("the rules were not read:\n%s", out)
		}
		return strings.Join(regexp.MustCompile(`(?m)^`+place+`:\d+.*$`).FindAllString(string(out), -1), "\n")
	}
	rules := read(t, "70-nightsoak.rules")
	if c := complaints(rules); c != "" {
		t.Error(c)
	}
	if complaints(strings.Replace(rules, "SYMLINK+=", "SYMLNK+=", 1)) == "" {
		t.Error("a misspelt key was not noticed")
	}
}

// systemd-sysusers and systemd-tmpfiles do what their files say, in a root of the
// test's.
func TestSysusersAndTmpfiles(t *testing.T) {
	root := t.TempDir()
	if err := os.Mkdir(filepath.Join(root, "etc"), 0o755); err != nil {
		t.Fatal(err)
	}
	var confs [2]string
	for i, name := range []string{"sysusers.conf", "tmpfiles.conf"} {
		var err error
		if confs[i], err = filepath.Abs(name); err != nil {
			t.Fatal(err)
		}
	}
	if out, err := run("systemd-sysusers", "--root="+root, confs[0]); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if g := read(t, filepath.Join(root, "etc/group")); !strings.HasPrefix(g, "dialout:") {
		t.Errorf("groups: %q", g)
	}
	if out, err := run("systemd-tmpfiles", "--root="+root, "--create", confs[1]); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if info, err := os.Stat(filepath.Join(root, "etc/nightsoak")); err != nil || !info.IsDir() || info.Mode().Perm() != 0o755 {
		t.Errorf("/etc/nightsoak: %v %v", info, err)
	}
}

// filter is what a system-call set of systemd's holds, its sets opened.
func filter(t *testing.T, set string, into map[string]bool) map[string]bool {
	t.Helper()
	out, err := run("systemd-analyze", "syscall-filter", "--no-pager", set)
	if err != nil {
		t.Fatalf("%s: %v\n%s", set, err, out)
	}
	for _, l := range strings.Split(out, "\n") {
		switch f := strings.Fields(l); {
		case !strings.HasPrefix(l, " ") || len(f) != 1:
		case f[0][0] == '@':
			filter(t, f[0], into)
		default:
			into[f[0]] = true
		}
	}
	return into
}

// Every system call that the daemon makes from start to stop, with the panel asked
// and a run on, is one that the unit's filter lets through.
func TestSystemCalls(t *testing.T) {
	dir := t.TempDir()
	bin := filepath.Join(dir, "nightsoak")
	if out, err := run("go", "build", "-o", bin, "../cmd/nightsoak"); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	// Not as root, who has SQLite give files away (fchown).
	data := filepath.Join(dir, "data")
	const nobody = 65534
	if err := os.Mkdir(data, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Dir(dir), 0o755); err != nil { // else nobody gets to the program
		t.Fatal(err)
	}
	if err := os.Chown(data, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	trace := filepath.Join(dir, "trace")
	c := exec.Command("strace", "-f", "-u", "nobody", "-qq", "-e", "signal=none", "-o", trace, bin, "demo", "--listen", "127.0.0.1:0", "--for", "8s", "--speed", "100", "--dir", data)
	c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	began := time.Now()
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("after %v: %v\n%s", time.Since(began), err, out)
	}
	if !strings.Contains(read(t, "nightsoak.service"), "SystemCallFilter=@system-service\nSystemCallFilter=~@privileged @resources\n") {
		t.Fatal("the unit has another filter than this test")
	}
	allowed := filter(t, "@system-service", map[string]bool{})
	for _, not := range []string{"@privileged", "@resources"} {
		for call := range filter(t, not, map[string]bool{}) {
			delete(allowed, call)
		}
	}
	made := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\d+ +([a-z0-9_]+)\(`).FindAllStringSubmatch(read(t, trace), -1) {
		made[m[1]] = true
	}
	if len(made) < 20 || !made["accept4"] {
		t.Errorf("only %d calls seen", len(made))
	}
	for call := range made {
		if !allowed[call] {
			t.Errorf("%s is not let through", call)
		}
	}
	t.Logf("%d system calls, %d let through", len(made), len(allowed))
}
