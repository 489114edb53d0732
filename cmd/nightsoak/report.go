package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"nightsoak/export/record"
	"nightsoak/export/report"
)

type reportCmd struct {
	Run_    string `arg:"" name:"RUN" help:"A run's id, the beginning of one, or a ticket: its newest run."`
	Out     string `required:"" placeholder:"FILE" help:"Where to write it; the suffix says what: .pdf .html .json .svg .png, .csv (every reading), .figures.csv (one row each 10 s), .events.json, .zip (the whole run)"`
	Against string `placeholder:"RUN" help:"An earlier run to stand beside it: before and after, or this visit and the last."`
	Paper   string `enum:"a4,letter" default:"a4" help:"Paper of the PDF: a4 or letter."`
	Salvage bool   `help:"With .csv: of a damaged run, what can still be read."`
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
	if c.Salvage && how.suffix != ".csv" {
		return usage(errors.New("--salvage goes with a file that ends in .csv"))
	}
	var b bytes.Buffer
	keep := keeperFor(c.dir())
	switch {
	case c.Salvage:
		err = record.WriteCSV(&b, info.Meters, s.Salvage(info.ID, func(err error) { a.log.Warn().Err(err).Msg("left out") }))
	case how.suffix == ".zip":
		err = writeZip(&b, a, s, info, how, keep)
	default:
		err = writeReport(a.ctx, &b, s, info, how, keep)
	}
	if err != nil {
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

// writeZip packs a run with its reports.
func writeZip(w io.Writer, a *app, s *record.Store, info record.Info, how reporting, keep *keeper) error {
	var reports []record.File
	for _, how.suffix = range []string{".pdf", ".html", ".json"} {
		var b bytes.Buffer
		if err := writeReport(a.ctx, &b, s, info, how, keep); err != nil {
			a.log.Warn().Err(err).Msg("packed without report" + how.suffix) // the record is what matters
			continue
		}
		reports = append(reports, record.File{Name: "report" + how.suffix, Text: b.Bytes()})
	}
	return s.Pack(w, info.ID, reports...)
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
