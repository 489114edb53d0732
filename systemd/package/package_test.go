//go:build servers

package main

import (
	"debug/elf"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

func sh(t *testing.T, name string, args ...string) string {
	t.Helper()
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive", "LC_ALL=C.UTF-8")
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(c.Args, " "), err, out)
	}
	return string(out)
}

// makeDeb is the package for amd64, of a version.
func makeDeb(t *testing.T, version string) string {
	t.Helper()
	dir := t.TempDir()
	if err := run(dir, version, "nightsoak packagers <packages@nightsoak.invalid>", []string{"amd64"}); err != nil {
		t.Fatal(err)
	}
	if out := sh(t, "sh", "-c", "cd "+dir+" && sha256sum -c SHA256SUMS"); strings.Count(out, ": OK") != 2 {
		t.Errorf("sums: %s", out)
	}
	return filepath.Join(dir, "nightsoak_"+version+"_amd64.deb")
}

// lintian finds nothing, overrides apart, which say why; and the same commit gives
// the same bytes.
func TestPackage(t *testing.T) {
	one := makeDeb(t, "1.0.0")
	t.Setenv("GOCACHE", t.TempDir()) // every byte compiled anew
	two := makeDeb(t, "1.0.0")
	a, err := os.ReadFile(one)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(two)
	if err != nil {
		t.Fatal(err)
	}
	if string(a) != string(b) {
		t.Error("the same commit gave two packages")
	}
	if out := sh(t, "lintian", "--allow-root", "--no-cfg", "--fail-on", "error,warning,info", one); out != "" {
		t.Errorf("lintian:\n%s", out)
	}
	files := sh(t, "dpkg-deb", "-c", one)
	for _, want := range []string{"./usr/bin/nightsoak\n", "nightsoak@.service\n", "70-nightsoak.rules\n", "man1/nightsoak-serve.1.gz\n", "completions/nightsoak\n"} {
		if !strings.Contains(files, want) {
			t.Errorf("no %s in\n%s", strings.TrimSpace(want), files)
		}
	}
}

// The packages for ARM say what they are for, hold a static program of that
// processor, and it runs (emulated: there is no such machine here).
func TestEveryProcessor(t *testing.T) {
	dir := t.TempDir()
	if err := run(dir, "1.0.0", "nightsoak packagers <packages@nightsoak.invalid>", []string{"arm64", "armhf"}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		deb, emulator string
		machine       elf.Machine
	}{{"arm64", "qemu-aarch64", elf.EM_AARCH64}, {"armhf", "qemu-arm", elf.EM_ARM}} {
		pkg := filepath.Join(dir, "nightsoak_1.0.0_"+c.deb+".deb")
		if out := sh(t, "lintian", "--allow-root", "--no-cfg", "--fail-on", "error,warning,info", pkg); out != "" {
			t.Errorf("lintian on %s:\n%s", c.deb, out)
		}
		if got := strings.TrimSpace(sh(t, "dpkg-deb", "-f", pkg, "Architecture")); got != c.deb {
			t.Errorf("%s says it is for %s", pkg, got)
		}
		root := filepath.Join(dir, c.deb)
		sh(t, "dpkg-deb", "-x", pkg, root)
		program := filepath.Join(root, "usr/bin/nightsoak")
		f, err := elf.Open(program)
		if err != nil {
			t.Fatal(err)
		}
		if f.Machine != c.machine {
			t.Errorf("%s holds a program for %v", pkg, f.Machine)
		}
		for _, p := range f.Progs {
			if p.Type == elf.PT_INTERP {
				t.Errorf("%s: the program is not static", pkg)
			}
		}
		f.Close()
		if out := sh(t, c.emulator, program, "tubes", "6L6GC"); !strings.Contains(out, "30") {
			t.Errorf("%s: tubes 6L6GC says\n%s", c.deb, out)
		}
	}
}

// A life in a root of debootstrap's: installed, upgraded, removed, purged. What
// people wrote stays.
func TestLifeCycle(t *testing.T) {
	root := os.Getenv("NIGHTSOAK_ROOT") // one that is there already
	if root == "" {
		root = filepath.Join(t.TempDir(), "root")
		sh(t, "debootstrap", "--variant=minbase", "bookworm", root, "http://deb.debian.org/debian")
	}
	in := func(args ...string) string { return sh(t, "chroot", append([]string{root}, args...)...) }
	there := func(path string) bool {
		_, err := os.Lstat(filepath.Join(root, path))
		return err == nil
	}
	sh(t, "mount", "-t", "proc", "proc", filepath.Join(root, "proc")) // which systemd-tmpfiles asks for
	t.Cleanup(func() { sh(t, "umount", filepath.Join(root, "proc")) })
	in("apt-get", "install", "-qy", "--no-install-recommends", "systemd", "udev", "man-db")
	install := func(version string) {
		deb := makeDeb(t, version)
		sh(t, "cp", deb, filepath.Join(root, "nightsoak.deb"))
		t.Log(in("dpkg", "-i", "/nightsoak.deb"))
	}
	install("1.0.0")
	if !there("etc/nightsoak") {
		t.Error("installed: no /etc/nightsoak")
	}
	if out := in("nightsoak", "version"); !strings.Contains(out, "commit ") {
		t.Errorf("version: %s", out)
	}
	if out := in("systemd-analyze", "verify", "nightsoak.service", "nightsoak@north.service", "nightsoak.socket"); strings.Contains(out, "nightsoak") {
		t.Errorf("verify: %s", out)
	}
	for _, f := range []string{"bench.toml", "job.toml"} { // as the README says
		in("cp", "/usr/share/doc/nightsoak/examples/"+f, "/etc/nightsoak/")
	}
	in("nightsoak", "check", "--bench", "/etc/nightsoak/bench.toml", "--job", "/etc/nightsoak/job.toml")
	in("systemctl", "enable", "nightsoak.service")
	in("mkdir", "-p", "/var/lib/private/nightsoak")
	in("touch", "/var/lib/private/nightsoak/record.db")

	install("1.0.1")
	if out := in("dpkg-query", "-W", "-f", "${Version} ${db:Status-Abbrev}", "nightsoak"); !strings.HasPrefix(out, "1.0.1 ii") {
		t.Errorf("upgraded: %s", out)
	}
	t.Log(in("dpkg", "-r", "nightsoak"))
	if there("usr/bin/nightsoak") || there("lib/systemd/system/nightsoak.service") {
		t.Error("removed: the program or its unit is still there")
	}
	t.Log(in("dpkg", "-P", "nightsoak"))
	for _, gone := range []string{"etc/systemd/system/multi-user.target.wants/nightsoak.service", "var/lib/dpkg/info/nightsoak.list", "usr/share/doc/nightsoak"} {
		if there(gone) {
			t.Errorf("purged: %s is still there", gone)
		}
	}
	for _, kept := range []string{"etc/nightsoak/bench.toml", "var/lib/private/nightsoak/record.db"} {
		if !there(kept) {
			t.Errorf("purged: %s, which is people's own, is gone", kept)
		}
	}
}
