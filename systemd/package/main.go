// Command package makes what a release is made of: static programs and Debian
// packages for three processors, and their SHA-256 sums. The same commit and Go
// version give the same bytes, wherever and whenever it runs.
//
//	cd systemd/package && go run . --out DIR
//
// It is a module of its own, so that what only packages need is no affair of the
// daemon's.
package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
	"github.com/goreleaser/nfpm/v2/files"
)

// targets are the processors, as Debian and as Go name them. GOARM=6 is what the
// oldest of the small computers have; Debian's own armhf begins at 7, and runs it.
var targets = []struct{ deb, goarch, goarm string }{{"amd64", "amd64", ""}, {"arm64", "arm64", ""}, {"armhf", "arm", "6"}}

func main() {
	out := flag.String("out", "dist", "folder that the files are put into")
	version := flag.String("version", "", "Debian version (default: the tag, else the commit's date)")
	maintainer := flag.String("maintainer", "nightsoak packagers <packages@nightsoak.invalid>", "who answers for the packages")
	archs := flag.String("arch", "amd64,arm64,armhf", "which, by Debian's names")
	flag.Parse()
	if err := run(*out, *version, *maintainer, strings.Split(*archs, ",")); err != nil {
		fmt.Fprintln(os.Stderr, "package:", err)
		os.Exit(1)
	}
}

// release is one commit on its way into packages.
type release struct {
	root       string // of the clone
	tmp        string
	at         time.Time // of the commit
	version    string    // Debian's
	maintainer string
}

func run(out, version, maintainer string, archs []string) error {
	r := release{version: version, maintainer: maintainer}
	var err error
	if r.tmp, err = os.MkdirTemp("", "nightsoak-package-"); err != nil {
		return err
	}
	defer os.RemoveAll(r.tmp)
	if r.root, err = say(nil, "", "git", "rev-parse", "--show-toplevel"); err != nil {
		return err
	}
	at, err := say(nil, r.root, "git", "log", "-1", "--format=%ct")
	if err != nil {
		return err
	}
	seconds, err := strconv.ParseInt(at, 10, 64)
	if err != nil {
		return fmt.Errorf("git's commit time: %w", err)
	}
	r.at = time.Unix(seconds, 0).UTC()
	if r.version == "" {
		if r.version, err = r.defaultVersion(); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	if err := r.manual(); err != nil {
		return err
	}
	var made []string
	for _, t := range targets {
		if !slices.Contains(archs, t.deb) {
			continue
		}
		program := filepath.Join(out, "nightsoak_"+r.version+"_linux_"+t.deb)
		if err := r.build(program, t.goarch, t.goarm); err != nil {
			return err
		}
		pkg := filepath.Join(out, "nightsoak_"+r.version+"_"+t.deb+".deb")
		if err := r.deb(pkg, program, t.deb); err != nil {
			return fmt.Errorf("%s: %w", pkg, err)
		}
		made = append(made, program, pkg)
	}
	if len(made) != 2*len(archs) {
		return fmt.Errorf("--arch %s: write amd64, arm64, armhf or some of them", strings.Join(archs, ","))
	}
	var sums bytes.Buffer
	slices.Sort(made)
	for _, name := range made {
		b, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(&sums, "%x  %s\n", sha256.Sum256(b), filepath.Base(name))
	}
	os.Stdout.Write(sums.Bytes())
	return os.WriteFile(filepath.Join(out, "SHA256SUMS"), sums.Bytes(), 0o644)
}

// defaultVersion is the commit's tag without its v, else one that comes before every
// tag and grows with the commit's date.
func (r *release) defaultVersion() (string, error) {
	if tag, err := say(nil, r.root, "git", "describe", "--tags", "--exact-match"); err == nil {
		return strings.TrimPrefix(tag, "v"), nil
	}
	id, err := say(nil, r.root, "git", "rev-parse", "--short=12", "HEAD")
	return "0~" + r.at.Format("20060102.150405") + "." + id, err
}

// say runs a program and is what it says.
func say(env []string, dir, name string, args ...string) (string, error) {
	c := exec.Command(name, args...)
	c.Dir, c.Env = dir, append(os.Environ(), env...)
	var errs bytes.Buffer
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		err = fmt.Errorf("%s: %w\n%s", strings.Join(c.Args, " "), err, errs.Bytes())
	}
	return strings.TrimSpace(string(out)), err
}

func (r *release) build(to, goarch, goarm string) error {
	to, err := filepath.Abs(to)
	if err != nil {
		return err
	}
	_, err = say([]string{"CGO_ENABLED=0", "GOOS=linux", "GOARCH=" + goarch, "GOARM=" + goarm, "GOFLAGS="}, r.root,
		"go", "build", "-trimpath", "-buildvcs=true", "-ldflags=-s -w", "-o", to, "./cmd/nightsoak")
	return err
}

// manual lets a program for this machine write its pages and completions.
func (r *release) manual() error {
	here := filepath.Join(r.tmp, "nightsoak")
	if err := r.build(here, runtime.GOARCH, ""); err != nil {
		return err
	}
	_, err := say(nil, "", here, "manual", filepath.Join(r.tmp, "manual"))
	return err
}

// deb writes one package.
func (r *release) deb(to, program, arch string) error {
	var contents files.Contents
	add := func(src, dst string, mode os.FileMode) {
		contents = append(contents, &files.Content{Source: src, Destination: dst, FileInfo: &files.ContentFileInfo{Mode: mode, MTime: r.at, Owner: "root", Group: "root"}})
	}
	here := func(name string) string { return filepath.Join(r.root, "systemd", name) }
	add(program, "/usr/bin/nightsoak", 0o755)
	for _, unit := range []string{"nightsoak.service", "nightsoak@.service", "nightsoak.socket"} {
		add(here(unit), "/lib/systemd/system/"+unit, 0o644)
	}
	add(here("70-nightsoak.rules"), "/lib/udev/rules.d/70-nightsoak.rules", 0o644)
	add(here("sysusers.conf"), "/usr/lib/sysusers.d/nightsoak.conf", 0o644)
	add(here("tmpfiles.conf"), "/usr/lib/tmpfiles.d/nightsoak.conf", 0o644)

	manual := filepath.Join(r.tmp, "manual")
	add(filepath.Join(manual, "nightsoak.bash"), "/usr/share/bash-completion/completions/nightsoak", 0o644)
	add(filepath.Join(manual, "_nightsoak"), "/usr/share/zsh/vendor-completions/_nightsoak", 0o644)
	add(filepath.Join(manual, "nightsoak.fish"), "/usr/share/fish/vendor_completions.d/nightsoak.fish", 0o644)
	pages, err := filepath.Glob(filepath.Join(manual, "*.1"))
	if err != nil {
		return err
	}
	for _, page := range pages {
		b, err := os.ReadFile(page)
		if err != nil {
			return err
		}
		packed, err := r.gzip(filepath.Base(page)+".gz", b)
		if err != nil {
			return err
		}
		add(packed, "/usr/share/man/man1/"+filepath.Base(packed), 0o644)
	}

	const doc = "/usr/share/doc/nightsoak/"
	add(filepath.Join(r.root, "README.md"), doc+"README.md", 0o644)
	for _, name := range []string{"bench.toml", "job.toml"} {
		add(filepath.Join(r.root, "testdata/demo", name), doc+"examples/"+name, 0o644)
	}
	log, err := r.gzip("changelog.gz", fmt.Appendf(nil, "nightsoak (%s) unstable; urgency=medium\n\n  * What has changed stands in CHANGELOG.md of the source.\n\n -- %s  %s\n",
		r.version, r.maintainer, r.at.Format(time.RFC1123Z)))
	if err != nil {
		return err
	}
	add(log, doc+"changelog.gz", 0o644)
	add(filepath.Join(r.root, "LICENSE"), doc+"copyright", 0o644)
	notices, err := r.notices()
	if err != nil {
		return err
	}
	packed, err := r.gzip("modules.gz", notices)
	if err != nil {
		return err
	}
	add(packed, doc+"modules.gz", 0o644)
	add(here("package/lintian-overrides"), "/usr/share/lintian/overrides/nightsoak", 0o644)

	info := nfpm.WithDefaults(&nfpm.Info{Name: "nightsoak", Arch: arch, Platform: "linux", Version: r.version, VersionSchema: "none", MTime: r.at,
		Section: "electronics", Priority: "optional", Maintainer: r.maintainer,
		Description: "watches valve guitar amplifiers on soak\n" +
			"A daemon that watches valve (tube) guitar amplifiers idle and burn in: it\n" +
			"reads meters, turns sense and plate volts into current and dissipation per\n" +
			"socket, says when the idle has settled, raises alarms, can drop the mains,\n" +
			"and keeps the record.\n\n" +
			"It is not a safety device: it replaces no fuse, no guard and no person.",
		Overridables: nfpm.Overridables{Contents: contents, Umask: 0o022,
			Depends: []string{"init-system-helpers (>= 1.52)"}, Recommends: []string{"ca-certificates", "tzdata"},
			Scripts: nfpm.Scripts{PostInstall: here("package/scripts/postinst"), PreRemove: here("package/scripts/prerm"), PostRemove: here("package/scripts/postrm")},
			Deb:     nfpm.Deb{Compression: "xz"}}})
	if err := nfpm.PrepareForPackager(info, "deb"); err != nil {
		return err
	}
	var b bytes.Buffer
	if err := deb.Default.Package(info, &b); err != nil {
		return err
	}
	return os.WriteFile(to, b.Bytes(), 0o644)
}

// gzip packs text without a name or a time of its own.
func (r *release) gzip(name string, text []byte) (string, error) {
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return "", err
	}
	if _, err := w.Write(text); err != nil {
		return "", err
	}
	if err := w.Close(); err != nil {
		return "", err
	}
	path := filepath.Join(r.tmp, name)
	return path, os.WriteFile(path, b.Bytes(), 0o644)
}

// notices are the licences of the modules that are in the program: most of them ask
// to be passed on with it.
func (r *release) notices() ([]byte, error) {
	list, err := say([]string{"GOFLAGS=", "CGO_ENABLED=0", "GOOS=linux"}, r.root, "go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}", "./cmd/nightsoak")
	if err != nil {
		return nil, err
	}
	modules := strings.Split(list, "\n")
	slices.Sort(modules)
	var b bytes.Buffer
	b.WriteString("The program holds these modules, under their own licences:\n")
	for _, m := range slices.Compact(modules) {
		name, dir, ok := strings.Cut(m, "\t")
		if !ok {
			continue
		}
		found, err := filepath.Glob(filepath.Join(dir, "[LCN][IOA]*"))
		if err != nil {
			return nil, err
		}
		texts := 0
		for _, f := range found {
			switch base := strings.ToUpper(filepath.Base(f)); {
			case strings.HasPrefix(base, "LICEN"), strings.HasPrefix(base, "COPYING"), strings.HasPrefix(base, "NOTICE"):
				text, err := os.ReadFile(f)
				if err != nil {
					continue // a folder of that name
				}
				fmt.Fprintf(&b, "\n---- %s: %s\n\n%s\n", name, filepath.Base(f), bytes.TrimSpace(text))
				texts++
			}
		}
		if texts == 0 {
			return nil, fmt.Errorf("module %s has no licence file: find its licence before it is passed on", name)
		}
	}
	return b.Bytes(), nil
}
