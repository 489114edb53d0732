// Package report writes what a run found: a page for the owner and one for
// the bench, the facts as JSON, the traces as SVG.
package report

import (
	"fmt"
	"io"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/report/chart"
)

// Data is everything a report is made of: a run's record, and what the core
// made of it. Slices per socket are in the order of Job.Sockets, those per
// meter in the order of Bench.Meters; a missing or short one reads as unknown.
type Data struct {
	RunID           string
	Started         time.Time     // wall clock at run time 0; its zone is the report's
	End             time.Duration // run time of the last thing recorded
	Ended           bool          // false: the run is unfinished
	SoftwareVersion string
	CoreVersion     string

	Bench  *bench.Bench
	Job    *bench.Job
	Events []alarms.Event  // in order
	Final  alarms.Snapshot // at End
	// Idle is the snapshot at the last event "settled", from which the report
	// takes its figures while every socket is settled. The zero Snapshot: none.
	Idle alarms.Snapshot

	Current []*chart.Series // per socket, cathode current, ampere; drawn where a share of the limit was never known
	Ratio   []*chart.Series // per socket, plate dissipation as a ratio of its limit
	HT      *chart.Series   // plate supply, volt
	Worst   []Worst         // per socket

	// Host is what the computer had to say beside the run, such as a disk that
	// took no readings for a while; each with its wall-clock stamp.
	Host []string

	Readings []uint64 // per meter
	Rejects  []uint64 // per meter, rejected frames
}

// Worst is the highest share of its limit that a socket reached, and when.
type Worst struct {
	Ratio socket.Value  // of the plate dissipation limit
	T     time.Duration // run time
}

// Suffixes are the file name suffixes that Write knows.
var Suffixes = []string{".html", ".json", ".svg"}

// SuffixError says that a report cannot be written in the form asked for.
type SuffixError struct{ Suffix string }

func (e *SuffixError) Error() string {
	return fmt.Sprintf("report: this version writes no %q; name a file that ends in %s, .csv or .zip",
		e.Suffix, strings.Join(Suffixes, ", "))
}

// Write writes the report in the form that suffix names (see Suffixes): any
// other is a *SuffixError. The same data give the same bytes.
func Write(w io.Writer, suffix string, d *Data) error {
	switch suffix {
	case ".html":
		return writeHTML(w, gather(d))
	case ".json":
		return writeJSON(w, gather(d))
	case ".svg":
		return writeSVG(w, gather(d))
	}
	return &SuffixError{suffix}
}

// Trace is every socket's share of its limit over the run so far, with phases,
// gaps and alarms, width by height pixels.
func Trace(d *Data, width, height int) *chart.Trace { return gather(d).shareTrace(width, height) }
