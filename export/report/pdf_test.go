//go:build servers

package report

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// tool runs a program from a Debian package.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "TZ=UTC")
	c.Stdout, c.Stderr = &out, &out
	if err := c.Run(); err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out.Bytes())
	}
	return out.String()
}

// written is a report as a file.
func written(t *testing.T, d *Data) (path, content string) {
	t.Helper()
	content = write(t, ".pdf", d)
	path = filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
	return path, content
}

// night with its title block, figures, and an earlier run beside it.
func full() *Data {
	d := night(3*time.Hour, true)
	j := *d.Job
	j.Serial, j.Technician, j.Parts = "0417-2266", "E. Marlow", []string{"V5 to V8", "C31, 47 µF"}
	j.Notes, j.Workshop.Name, j.Workshop.Address = "Came in with a blown HT fuse.\nŁódź label inside.", "North Bench", []string{"4 Canal Wharf"}
	j.Sockets = slices.Clone(j.Sockets)
	j.Sockets[2].DateCode = "188-6-41"
	d.Job, d.Hash = &j, strings.Repeat("0f", 32)
	d.Table = NewTable(4)
	for i := range 4 {
		f := d.Idle.Sockets[i].Figures
		d.Table.Add(i, 5*time.Second, &f)
	}
	d.Table = d.Table.Close()
	d.Warm = d.Ratio
	d.Against = night(whole, false)
	d.Against.RunID = "20261101-200000-R-1187"
	return d
}

// TestPDF holds every kind of report against qpdf and poppler: valid, its words
// right and whole, its attachments what the exports write.
func TestPDF(t *testing.T) {
	us := large(8, 0, 6*time.Hour)
	us.Paper = Letter
	runs := map[string]*Data{"full": full(), "quiet": night(whole, false), "large": large(12, 40, 7*24*time.Hour), "letter": us,
		"one": large(1, 0, 9*time.Hour), "minute": large(4, 0, time.Minute)}
	maps.Copy(runs, little())
	for name, d := range runs {
		t.Run(name, func(t *testing.T) {
			path, content := written(t, d)
			if again := write(t, ".pdf", d); again != content {
				t.Error("the same data twice give different bytes")
			}
			if out := tool(t, "qpdf", "--check", path); !strings.Contains(out, "No syntax or stream encoding errors found") || strings.Contains(out, "WARNING") {
				t.Errorf("qpdf: %s", out)
			}
			words := strings.Join(strings.Fields(tool(t, "pdftotext", "-layout", path, "-")), " ")
			v := gather(d).view()
			for _, want := range []string{strings.Join(strings.Fields(v.Verdict.Headline), " "), "keep a charge", "no guarantee", "not a safety device", "rules of the place",
				"Course of the run", "How to verify"} {
				if !strings.Contains(words, want) {
					t.Errorf("the PDF does not say %q", want)
				}
			}
			for _, bad := range []string{"NaN", "Inf", "MISSING", "%!", " safe"} {
				if strings.Contains(strings.ReplaceAll(words, "a safety device", ""), bad) {
					t.Errorf("the PDF says %q", bad)
				}
			}
			first := strings.Join(strings.Fields(tool(t, "pdftotext", "-l", "1", path, "-")), " ")
			if !strings.Contains(first, "no guarantee") {
				t.Error("the cautions are not on the first page")
			}
			size, fonts := tool(t, "pdfinfo", path), tool(t, "pdffonts", path)
			if paper := map[bool]string{true: "612 x 792 pts (letter)", false: "595.28 x 841.89 pts (A4)"}[d.Paper == Letter]; !strings.Contains(size, paper) {
				t.Errorf("not %s:\n%s", paper, size)
			}
			for _, l := range strings.Split(strings.TrimSpace(fonts), "\n")[2:] {
				if !strings.Contains(l, "TrueType") || !strings.Contains(l, " yes ") {
					t.Errorf("a font is not embedded: %s", l)
				}
			}
			if len(content) > 400_000 {
				t.Errorf("%d bytes: are the fonts whole?", len(content))
			}
			for n, suffix := range []string{".figures.csv", ".events.json"} {
				file := filepath.Join(t.TempDir(), "attached")
				tool(t, "pdfdetach", "-save", fmt.Sprint(n+1), "-o", file, path)
				got, err := os.ReadFile(file)
				if err != nil {
					t.Fatal(err)
				}
				if string(got) != write(t, suffix, d) {
					t.Errorf("the attachment is not what %s is", suffix)
				}
			}
		})
	}
}

// TestPDFGolden pins the words of a report and where they stand.
func TestPDFGolden(t *testing.T) {
	path, _ := written(t, full())
	got := tool(t, "pdftotext", "-layout", path, "-")
	file := filepath.Join("testdata", "full.pdf.txt")
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the words differ from %s: look at both, then -update", file)
	}
	info := tool(t, "pdfinfo", "-isodates", path)
	for _, want := range []string{"Soak report R-1187", "four-tube bass head, 100 W", "E. Marlow, North Bench", "2026-11-25T00:04:00"} {
		if !strings.Contains(info, want) {
			t.Errorf("the metadata do not say %q:\n%s", want, info)
		}
	}
	names := tool(t, "pdfdetach", "-list", path)
	if !strings.Contains(names, "20261124-210400-R-1187.figures.csv") || !strings.Contains(names, "20261124-210400-R-1187.events.json") {
		t.Errorf("attached: %s", names)
	}
	outline := tool(t, "qpdf", "--json=2", "--json-key=outlines", path)
	for _, want := range []string{"For the owner", "For the bench", "Sockets", "Then and now", "Meters", "How to verify"} {
		if !strings.Contains(outline, `"title": "`+want+`"`) {
			t.Errorf("no bookmark %q", want)
		}
	}
}
