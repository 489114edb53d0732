package main

import (
	"io"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/coreos/go-systemd/v22/journal"
	"github.com/rs/zerolog"

	"nightsoak/alarms"
)

// eventLog hands a run's events to other programs: as JSON lines on standard
// output, the bytes of the record, and to the journal with a field for each of
// theirs. Both may hang, so a goroutine writes, and what does not fit into its
// queue is left out and counted: the record has it.
type eventLog struct {
	lines io.Writer // nil: none are wanted
	ask   bool      // the journal hears of them, where standard error goes to it
	queue chan loggedEvent
	left  atomic.Uint64
	done  chan struct{}
	log   zerolog.Logger
}

type loggedEvent struct {
	run, bench string
	alarms.Event
}

// eventsHeld is how many events wait for a reader that is slow; a night has some dozens.
const eventsHeld = 1024

// newEventLog begins to write; nil where nobody wants events.
func newEventLog(lines io.Writer, log zerolog.Logger) *eventLog {
	toJournal, err := journal.StderrIsJournalStream()
	if toJournal = err == nil && toJournal; !toJournal && lines == nil {
		return nil
	}
	l := &eventLog{lines: lines, ask: toJournal, queue: make(chan loggedEvent, eventsHeld), done: make(chan struct{}), log: log}
	go l.run()
	return l
}

// journals says whether the journal gets the events, and the log need not.
func (l *eventLog) journals() bool { return l != nil && l.ask }

// event takes an event of a run; it never waits.
func (l *eventLog) event(run, bench string, e *alarms.Event) {
	if l == nil {
		return
	}
	select {
	case l.queue <- loggedEvent{run, bench, *e}:
	default:
		l.left.Add(1)
	}
}

// close ends it once what waits is written, or after a second.
func (l *eventLog) close() {
	if l == nil {
		return
	}
	close(l.queue)
	select {
	case <-l.done:
	case <-time.After(time.Second):
	}
}

func (l *eventLog) run() {
	defer close(l.done)
	for e := range l.queue {
		if n := l.left.Swap(0); n > 0 {
			l.log.Warn().Uint64("left_out", n).Msg("events were left out: their reader is too slow")
		}
		if l.lines != nil {
			b, err := line(e.Event)
			if err == nil {
				_, err = l.lines.Write(b)
			}
			if err != nil {
				l.log.Warn().Err(err).Msg("events are no longer written to standard output")
				l.lines = nil
			}
		}
		if l.ask {
			message, priority, fields := journalEntry(&e)
			if err := journal.Send(message, priority, fields); err != nil {
				l.log.Warn().Err(err).Str("id", e.ID).Msg("the journal did not take an event")
			}
		}
	}
}

// journalEntry is an event for the journal: systemd.journal-fields(7), priorities
// as syslog(3) has them.
func journalEntry(e *loggedEvent) (message string, priority journal.Priority, fields map[string]string) {
	fields = map[string]string{"SYSLOG_IDENTIFIER": "nightsoak"}
	words := []string{e.Event.Event}
	for _, f := range [...]struct {
		key, value string
		said       bool
	}{
		{"RUN", e.run, false}, {"BENCH", e.bench, false}, {"T", strconv.FormatFloat(time.Duration(e.T).Seconds(), 'f', 3, 64), false},
		{"EVENT", e.Event.Event, false}, {"PHASE", string(e.Phase), true}, {"ACT", e.Act, true}, {"SOCKET", e.Socket, true}, {"METER", e.Meter, true},
		{"ID", e.ID, true}, {"ALARM", e.Alarm, false}, {"SUBJECT", e.Subject, false}, {"ALARM_PRIORITY", string(e.Priority), true}, {"STATE", string(e.State), true}, {"BY", e.By, true},
	} {
		if f.value == "" {
			continue
		}
		fields["NIGHTSOAK_"+f.key] = f.value
		if f.said {
			words = append(words, f.value)
		}
	}
	message = strings.Join(words, " ")
	if e.Text != "" {
		message += ": " + e.Text
	}
	priority = journal.PriInfo
	if e.Event.Event == alarms.EventAlarm && e.State == alarms.Unacknowledged {
		priority = [...]journal.Priority{journal.PriNotice, journal.PriNotice, journal.PriWarning, journal.PriCrit}[e.Priority.Rank()]
	}
	return message, priority, fields
}
