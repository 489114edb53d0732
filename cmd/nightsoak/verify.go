package main

import (
	"bytes"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"nightsoak/alarms"
	"nightsoak/export/record"
)

type verifyCmd struct {
	What string `arg:"" name:"RUN|FILE.zip" help:"A recorded run, or a packed one."`
	dataDir
}

// Run reads all of a run, compares it with its checksums, and judges it again.
func (c *verifyCmd) Run(a *app) error {
	if strings.EqualFold(filepath.Ext(c.What), ".zip") {
		return c.zip(a)
	}
	s, err := c.reader()
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := s.Find(c.What)
	if err != nil {
		return usage(err)
	}
	return verify(a, s, info)
}

// zip takes a packed run into a record of its own for a moment.
func (c *verifyCmd) zip(a *app) error {
	dir, err := os.MkdirTemp("", "nightsoak-verify-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	s, err := record.Open(dir)
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := importFile(s, c.What)
	if errors.Is(err, record.ErrPack) {
		return &status{exitNotSo, err}
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(a.out, "checksums  all files of %s are as they were packed\n", filepath.Base(c.What))
	return verify(a, s, info)
}

// verify says how a run stands; it fails with status 3 when not as it should.
func verify(a *app, s *record.Store, info record.Info) error {
	fmt.Fprintf(a.out, "run        %s, %s, recorded by nightsoak %s\n", info.ID, clock(info.Advanced), info.Software)
	c, err := s.Check(info.ID)
	if err != nil {
		return err
	}
	fmt.Fprintf(a.out, "readings   %d of %d read, in %d blocks and the rest as rows\n", c.Readings, info.Readings, c.Blocks)
	if c.Lost > 0 {
		fmt.Fprintf(a.out, "missing    %d inputs that the disk did not take; the record says so\n", c.Lost)
	}
	if info.FilesHash == "" {
		fmt.Fprintln(a.out, "files      not compared: begun under a record that kept no hash of them")
	} else {
		fmt.Fprintf(a.out, "files      SHA-256 at the beginning %s\n", info.FilesHash)
	}
	wrong := c.Wrong
	if len(wrong) == 0 {
		said, differs, err := verifyEvents(s, info)
		if err != nil {
			return err
		}
		fmt.Fprintf(a.out, "events     %s\n", said)
		if differs {
			wrong = append(wrong, said)
		}
	}
	for _, w := range wrong {
		fmt.Fprintf(a.out, "WRONG      %s\n", w)
	}
	if len(wrong) > 0 {
		return &status{code: exitNotSo}
	}
	fmt.Fprintln(a.out, "verified")
	return nil
}

// verifyEvents judges a run again and compares the events with those recorded.
func verifyEvents(s *record.Store, info record.Info) (said string, differs bool, err error) {
	switch {
	case info.Core != alarms.Core:
		return fmt.Sprintf("not compared: judged by core %s, this program has core %s", info.Core, alarms.Core), false, nil
	case info.GOARCH == "":
		return "not compared: the record does not say on which architecture it was judged", false, nil
	case info.GOARCH != runtime.GOARCH:
		return fmt.Sprintf("not compared: judged on %s, this is %s", info.GOARCH, runtime.GOARCH), false, nil
	}
	b, j, err := filesOf(info)
	if err != nil {
		return "", false, err
	}
	recorded, stop := iter.Pull2(s.Events(info.ID))
	defer stop()
	n := 0
	errDiffers := errors.New("differs")
	end := info.Advanced
	err = judge(alarms.New(b, j), s.Inputs(info.ID), end, func(ev alarms.Event) error {
		n++
		now, err := line(ev)
		if err != nil {
			return err
		}
		was, err, ok := recorded()
		if err != nil {
			return err
		}
		if !ok || !bytes.Equal(append(bytes.Clone(was), '\n'), now) {
			said = fmt.Sprintf("event %d, at %.3f s, comes out as %s; recorded is %s", n, time.Duration(ev.T).Seconds(), bytes.TrimSpace(now), was)
			return errDiffers
		}
		return nil
	})
	if errors.Is(err, errDiffers) {
		return said, true, nil
	}
	if err != nil {
		return "", false, err
	}
	if was, err, ok := recorded(); err != nil || ok {
		return fmt.Sprintf("%d events come out; recorded is another one: %s", n, was), true, err
	}
	return fmt.Sprintf("judged again: the same %d, byte for byte", n), false, nil
}

type importCmd struct {
	File string `arg:"" placeholder:"FILE" help:"A run packed with: nightsoak report RUN --out FILE.zip"`
	dataDir
}

// Run takes a packed run into the record.
func (c *importCmd) Run(a *app) error {
	s, err := c.writer()
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := importFile(s, c.File)
	if errors.Is(err, record.ErrPack) || errors.Is(err, record.ErrHere) {
		return usage(err)
	}
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.out, "run: %s\n%d readings, %d events\n", info.ID, info.Readings, info.Events)
	return err
}

func importFile(s *record.Store, name string) (record.Info, error) {
	f, err := os.Open(name)
	if err != nil {
		return record.Info{}, usage(err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return record.Info{}, err
	}
	info, err := s.Import(f, st.Size())
	if err != nil {
		return info, fmt.Errorf("%s: %w", name, err)
	}
	return info, nil
}

type keepCmd struct {
	Run_ string `arg:"" name:"RUN" help:"A run's id, the beginning of one, or a ticket: its newest run."`
	Off  bool   `help:"Take the mark away."`
	dataDir
}

// Run marks a run as never to be deleted by [record] keep_for and keep_under.
func (c *keepCmd) Run(a *app) error {
	s, err := c.writer()
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := s.Keep(c.Run_, !c.Off)
	if errors.Is(err, record.ErrUnknownRun) {
		return usage(err)
	}
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(a.out, map[bool]string{true: "kept:", false: "no longer kept:"}[info.Kept], info.ID)
	return err
}
