package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"nightsoak/export/report"
)

type reportCmd struct {
	Run_    string `arg:"" name:"RUN" help:"A run's id, the beginning of one, or a ticket: its newest run."`
	Out     string `required:"" placeholder:"FILE" help:"Where to write it; the suffix says what: .pdf .html .json .svg .png, .csv (every reading), .figures.csv (one row each 10 s), .events.json"`
	Against string `placeholder:"RUN" help:"An earlier run to stand beside it: before and after, or this visit and the last."`
	Paper   string `enum:"a4,letter" default:"a4" help:"Paper of the PDF: a4 or letter."`
	dataDir
}

// Run writes a report.
func (c *reportCmd) Run(a *app) error {
	s, err := c.reader()
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := s.Find(c.Run_)
	if err != nil {
		return usage(err)
	}
	how := reporting{suffix: report.Suffix(c.Out), paper: report.Paper(c.Paper)}
	if c.Against != "" {
		other, err := s.Find(c.Against)
		if err != nil {
			return usage(fmt.Errorf("--against: %w", err))
		}
		how.against = &other
	}
	var b bytes.Buffer
	if err := writeReport(a.ctx, &b, s, info, how, keeperFor(c.dir())); err != nil {
		var suffix *report.SuffixError
		if errors.As(err, &suffix) {
			return usage(err)
		}
		return err
	}
	if err := writeFile(c.Out, b.Bytes()); err != nil {
		return err
	}
	_, err = fmt.Fprintln(a.out, "report:", c.Out)
	return err
}

type schemaCmd struct{}

// Run prints the JSON Schema of report RUN --out FILE.json.
func (schemaCmd) Run(a *app) error {
	_, err := a.out.Write(report.Schema)
	return err
}

// writeFile writes a file aside, syncs it and renames it into place, so that
// there is never half a report under its name.
func writeFile(path string, content []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".nightsoak-*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", path, errors.Unwrap(err))
	}
	defer os.Remove(f.Name()) // fails once renamed, which is well
	_, err = f.Write(content)
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
