// Package report writes what a run found: a page for the owner and one for
// the bench, the facts as JSON, the traces as SVG.
package report

import (
	"fmt"
	"io"
	"path/filepath"
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
	Warm    []*chart.Series // per socket, the share (or the current, as the report draws) of the hour after HT last came up, finer
	Table   *Table          // the figures at one row per TableStep; nil is none
	Worst   []Worst         // per socket

	// Host is what the computer had to say beside the run, such as a disk that
	// took no readings for a while; each with its wall-clock stamp.
	Host []string

	Readings []uint64 // per meter
	Rejects  []uint64 // per meter, rejected frames

	// Hash is the SHA-256 of the run's readings as CSV, in hex; empty is unknown.
	Hash    string
	Against *Data // an earlier run to compare with; nil is none
	Paper   Paper // of the PDF and of the HTML when printed
}

// Paper is a size of paper.
type Paper string

// The papers. The zero Paper is A4.
const (
	A4     Paper = "a4"
	Letter Paper = "letter" // US Letter, 8.5 by 11 inch
)

// Worst is the highest share of its limit that a socket reached, and when.
type Worst struct {
	Ratio socket.Value  // of the plate dissipation limit
	T     time.Duration // run time
}

// Suffixes are the file name suffixes that Write knows.
var Suffixes = []string{".pdf", ".html", ".json", ".svg", ".png", ".figures.csv", ".events.json"}

// SuffixError says that a report cannot be written in the form asked for.
type SuffixError struct{ Suffix string }

func (e *SuffixError) Error() string {
	return fmt.Sprintf("report: this version writes no %q; name a file that ends in %s, .csv or .zip",
		e.Suffix, strings.Join(Suffixes, ", "))
}

// Suffix is the one of Suffixes that a file name ends in, whatever its case;
// else its extension in lower case.
func Suffix(name string) string {
	name = strings.ToLower(name)
	for _, s := range [...]string{".figures.csv", ".events.json"} {
		if strings.HasSuffix(name, s) {
			return s
		}
	}
	return filepath.Ext(name)
}

// Write writes the report in the form that suffix names (see Suffixes): any
// other is a *SuffixError. The same data give the same bytes. A PDF holds what
// ".figures.csv" and ".events.json" give as attachments, byte for byte.
func Write(w io.Writer, suffix string, d *Data) error {
	switch suffix {
	case ".pdf":
		return writePDF(w, gather(d))
	case ".html":
		return writeHTML(w, gather(d))
	case ".json":
		return writeJSON(w, gather(d))
	case ".svg":
		return stacked(gather(d)).SVG(w)
	case ".png":
		return stacked(gather(d)).PNG(w, 2)
	case ".figures.csv":
		return writeFigures(w, gather(d))
	case ".events.json":
		return writeEvents(w, gather(d))
	}
	return &SuffixError{suffix}
}

// Trace is every socket's share of its limit over the run so far, with phases,
// gaps and alarms, width by height pixels.
func Trace(d *Data, width, height int) *chart.Trace { return gather(d).shareTrace(width, height) }
