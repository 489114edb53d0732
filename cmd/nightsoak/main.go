// Command nightsoak watches valve guitar amplifiers on soak: it reads the
// meters, turns them into current and dissipation per socket, says when the
// idle has settled, raises alarms, and keeps the record. See README.md.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"github.com/mattn/go-isatty"
	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// The exit statuses of CONTRACT.
const (
	exitFailed = 1 // failed while running
	exitUsage  = 2 // bad usage or an invalid file
	exitNotSo  = 3 // the thing asked about is not as it should be
)

// cli is the command line.
type cli struct {
	Demo    demoCmd    `cmd:"" help:"Show the whole job on an emulated four-tube amplifier."`
	Serve   serveCmd   `cmd:"" help:"Watch the bench: the daemon."`
	Setup   setupCmd   `cmd:"" help:"Write the bench and job files with a page in the browser."`
	Check   checkCmd   `cmd:"" help:"Validate the bench and job files and print the wiring sheet."`
	Listen  listenCmd  `cmd:"" help:"Print what a meter says; with no format, find out what it is."`
	Ports   portsCmd   `cmd:"" help:"List the serial ports found."`
	Formats formatsCmd `cmd:"" help:"List the wire formats."`
	Tubes   tubesCmd   `cmd:"" help:"Show handbook ratings."`
	Bias    biasCmd    `cmd:"" help:"Work out idle targets for a tube."`

	Begin       beginCmd       `cmd:"" help:"Begin a run on the running daemon."`
	End         endCmd         `cmd:"" help:"End the run."`
	Note        noteCmd        `cmd:"" help:"Put a note into the run's record."`
	Mark        markCmd        `cmd:"" help:"Keep the figure that a watch shows now: before, after."`
	Adjusted    adjustedCmd    `cmd:"" help:"Say that a trimmer was turned: the socket settles anew."`
	Move        moveCmd        `cmd:"" help:"Say that the roving probe was moved."`
	Acknowledge acknowledgeCmd `cmd:"" help:"Acknowledge an alarm."`
	Shelve      shelveCmd      `cmd:"" help:"Silence an alarm for a time."`
	Unshelve    unshelveCmd    `cmd:"" help:"End a shelving."`
	Reset       resetCmd       `cmd:"" help:"Let go of an alarm that latched: it is over, and its cause is found."`
	Out         outCmd         `cmd:"" name:"out-of-service" help:"Take an alarm out of service: it is not raised until it is put back."`
	In          inCmd          `cmd:"" name:"in-service" help:"Put an alarm back in service."`
	Cut         cutCmd         `cmd:"" help:"Drop the mains now."`
	Rearm       rearmCmd       `cmd:"" help:"Arm the cut-off again after it has dropped."`
	State       stateCmd       `cmd:"" help:"Show what the running daemon sees."`
	Walkaway    walkawayCmd    `cmd:"" help:"The departure check: is everything in place to leave this run alone?"`
	Drill       drillCmd       `cmd:"" help:"Inject a fault into a copy of the run, and time the way to people and relay."`

	Runs    runsCmd    `cmd:"" help:"List the recorded runs."`
	Report  reportCmd  `cmd:"" help:"Write the report of a run."`
	Schema  schemaCmd  `cmd:"" help:"Print the JSON Schema of a report as JSON."`
	Verify  verifyCmd  `cmd:"" help:"Check that a recorded or packed run is whole, and judge it again."`
	Export  exportCmd  `cmd:"" help:"Send a recorded run to a database, as the daemon would have."`
	Import  importCmd  `cmd:"" help:"Take in a run packed on another machine."`
	Keep    keepCmd    `cmd:"" help:"Mark a run as never to be deleted for age or size."`
	Replay  replayCmd  `cmd:"" help:"Judge a recorded run or a readings file again and print the events."`
	Version versionCmd `cmd:"" help:"Print the version."`
	Manual  manualCmd  `cmd:"" hidden:"" help:"Write man pages and shell completions."`
}

// app is what commands get beside their flags.
type app struct {
	ctx context.Context // done on SIGINT or SIGTERM
	out io.Writer
	log zerolog.Logger
}

// status is an error that asks for an exit status.
type status struct {
	code int
	err  error // nil: everything has been said
}

func (s *status) Error() string {
	if s.err == nil {
		return fmt.Sprintf("exit status %d", s.code)
	}
	return s.err.Error()
}
func (s *status) Unwrap() error { return s.err }

// usage marks an error as bad usage or an invalid file.
func usage(err error) error {
	if err == nil {
		return nil
	}
	return &status{exitUsage, err}
}

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

func run(args []string, out, errOut io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var c cli
	ended := -1
	parser, err := kong.New(&c,
		kong.Name("nightsoak"),
		kong.Description("Watches valve guitar amplifiers on soak. Not a safety device: see README.md."),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.Writers(out, errOut),
		kong.Exit(func(code int) { ended = code }),
	)
	if err != nil {
		panic(err) // the grammar above is wrong: a programming error
	}
	kctx, err := parser.Parse(args)
	if wrong := new(kong.ParseError); errors.As(err, &wrong) {
		kctx = wrong.Context
	}
	if ended >= 0 { // --help
		return ended
	}
	if err != nil {
		hint := "nightsoak --help"
		if kctx != nil && kctx.Selected() != nil {
			hint = "nightsoak " + kctx.Selected().Name + " --help"
		}
		if len(args) == 0 {
			err = errors.New("no command")
		}
		fmt.Fprintf(errOut, "nightsoak: %v; see `%s`\n", err, hint)
		return exitUsage
	}
	return finish(errOut, kctx.Run(&app{ctx: ctx, out: out, log: newLogger(errOut)}))
}

// finish says an error and is the exit status.
func finish(errOut io.Writer, err error) int {
	if err == nil {
		return 0
	}
	var s *status
	code := exitFailed
	if _, setting := errors.AsType[*drivers.SettingError](err); setting || errors.Is(err, port.ErrSpec) || errors.Is(err, port.ErrLine) {
		code = exitUsage
	}
	if errors.As(err, &s) {
		code = s.code
		if s.err == nil {
			return code
		}
	}
	if _, ok := errors.AsType[bench.Problems](err); ok {
		fmt.Fprintln(errOut, err) // each line begins with its file, as editors want it
		return code
	}
	fmt.Fprintf(errOut, "nightsoak: %v\n", err)
	return code
}

// newLogger logs for people on a terminal, JSON lines otherwise.
func newLogger(w io.Writer) zerolog.Logger {
	if f, ok := w.(*os.File); ok && isatty.IsTerminal(f.Fd()) {
		w = zerolog.ConsoleWriter{Out: f, TimeFormat: time.TimeOnly}
	}
	return zerolog.New(w).With().Timestamp().Logger()
}

type versionCmd struct{}

// Run prints the version, the commit and its date, and the core's version.
func (versionCmd) Run(a *app) error {
	from := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		if id, at := commit(info); id != "" {
			from = fmt.Sprintf("commit %s of %s, ", id, at)
		}
	}
	_, err := fmt.Fprintf(a.out, "nightsoak %s, %score %s\n", version(), from, alarms.Core)
	return err
}

// commit is what a build was made from, and when that was committed (RFC 3339,
// UTC); a "+" says that the files differed from it. Empty: the build does not know.
func commit(info *debug.BuildInfo) (id, at string) {
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			id = s.Value[:min(12, len(s.Value))]
		case "vcs.time":
			at = s.Value
		case "vcs.modified":
			if s.Value == "true" {
				id += "+"
			}
		}
	}
	return id, at
}

// version is the module's version, or the commit it was built from.
func version() string {
	v := "development"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return v
	}
	if m := info.Main.Version; m != "" && m != "(devel)" {
		v = m
	}
	if id, _ := commit(info); !strings.Contains(v, strings.TrimSuffix(id, "+")) {
		v += " " + id
	}
	return v
}
