package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"nightsoak/export/record"
	"nightsoak/export/report"
)

type reportCmd struct {
	Run_    string `arg:"" name:"RUN" help:"A run's id, the beginning of one, or a ticket: its newest run."`
	Out     string `required:"" placeholder:"FILE" help:"Where to write it; the suffix says what: .html .csv .json .svg, or .zip for the whole run"`
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
	suffix := strings.ToLower(filepath.Ext(c.Out))
	if c.Salvage && suffix != ".csv" {
		return usage(errors.New("--salvage goes with a file that ends in .csv"))
	}
	var b bytes.Buffer
	switch {
	case c.Salvage:
		err = record.WriteCSV(&b, info.Meters, s.Salvage(info.ID, func(err error) { a.log.Warn().Err(err).Msg("left out") }))
	case suffix == ".zip":
		err = writeZip(&b, a, s, info)
	default:
		err = writeReport(&b, suffix, s, info, nil)
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
func writeZip(w io.Writer, a *app, s *record.Store, info record.Info) error {
	var reports []record.File
	for _, suffix := range []string{".html", ".json"} {
		var b bytes.Buffer
		if err := writeReport(&b, suffix, s, info, nil); err != nil {
			a.log.Warn().Err(err).Msg("packed without report" + suffix) // the record is what matters
			continue
		}
		reports = append(reports, record.File{Name: "report" + suffix, Text: b.Bytes()})
	}
	return s.Pack(w, info.ID, reports...)
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
