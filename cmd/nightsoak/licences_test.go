package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/licensecheck"
)

// permissive are the licences, by their SPDX names, under which we take code: all
// let a binary go on as its holder likes, for the notice.
var permissive = []string{"Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "ISC", "MIT", "MIT-0", "Unlicense", "Zlib"}

var licenceFile = regexp.MustCompile(`(?i)^(licen[cs]e|copying|unlicense)([-.].*)?$`)

// Every module that the program, its tests and its tools are built from has a
// licence that licensecheck knows, and it is permissive. -v lists them; those
// marked with a star are in the program.
func TestLicences(t *testing.T) {
	used := func(args ...string) map[string]string {
		c := exec.Command("go", append([]string{"list", "-deps", "-json=Module"}, args...)...)
		c.Dir = "../.."
		out, err := c.Output()
		if err != nil {
			t.Fatal(err)
		}
		modules := map[string]string{}
		for d := json.NewDecoder(strings.NewReader(string(out))); ; {
			var p struct {
				Module *struct {
					Path, Version, Dir string
					Main               bool
				}
			}
			if err := d.Decode(&p); errors.Is(err, io.EOF) {
				return modules
			} else if err != nil {
				t.Fatal(err)
			}
			if m := p.Module; m != nil && !m.Main {
				modules[m.Path+" "+m.Version] = m.Dir
			}
		}
	}
	program := used("./cmd/nightsoak")
	all := used("-test", "-tags", "servers,browser", "./...", "tool")
	var rows []string
	for name, dir := range all {
		var found []string
		files, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if !licenceFile.MatchString(f.Name()) || f.Type()&fs.ModeDir != 0 || strings.Contains(f.Name(), "3RD-PARTY") { // other modules: they are looked at themselves
				continue
			}
			text, err := os.ReadFile(filepath.Join(dir, f.Name()))
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range licensecheck.Scan(text).Match {
				if found = append(found, m.ID); !m.IsURL && !slices.Contains(permissive, m.ID) {
					t.Errorf("%s: %s has %s, which is none of %v", name, f.Name(), m.ID, permissive)
				}
			}
		}
		if len(found) == 0 {
			t.Errorf("%s: no licence found in %s", name, dir)
		}
		mark := " "
		if program[name] != "" {
			mark = "*"
		}
		slices.Sort(found)
		rows = append(rows, fmt.Sprintf("%s %s %s", mark, name, strings.Join(slices.Compact(found), " ")))
	}
	if len(program) < 10 || len(all) < len(program) {
		t.Errorf("only %d modules of the program, %d in all", len(program), len(all))
	}
	slices.SortFunc(rows, func(a, b string) int { return strings.Compare(a[2:], b[2:]) })
	t.Logf("%d modules, %d of them in the program\n%s", len(all), len(program), strings.Join(rows, "\n"))
}
