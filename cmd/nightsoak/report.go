package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"nightsoak/export/report"
)

type reportCmd struct {
	Run_ string `arg:"" name:"RUN" help:"A run's id, the beginning of one, or a ticket: its newest run."`
	Out  string `required:"" placeholder:"FILE" help:"Where to write it; the suffix says what: .html .csv .json .svg"`
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
	var b bytes.Buffer
	if err := writeReport(&b, strings.ToLower(filepath.Ext(c.Out)), s, info, nil); err != nil {
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
