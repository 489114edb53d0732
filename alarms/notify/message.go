package notify

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"nightsoak/alarms"
)

// message is what one try sends.
type message struct {
	ID      string // the same for every try
	Again   bool   // an earlier try may have arrived
	Bench   string
	Link    string // to the panel; may be empty
	Items   []item // most important first
	Dropped int    // items that found no room before it
}

func (n *Notifier) message(c *channel, o *outgoing) *message {
	return &message{ID: o.ID, Again: o.Maybe, Bench: n.bench, Link: n.link, Items: append([]item(nil), o.Items...), Dropped: o.Dropped}
}

// title is one line: how bad, what, where.
func (m *message) title() string {
	var b strings.Builder
	if m.Again {
		b.WriteString("Again: ")
	}
	it := &m.Items[0]
	switch e := &it.Event; it.Kind {
	case raised:
		fmt.Fprintf(&b, "%s: %s %s", strings.ToUpper(string(e.Priority)), e.Alarm, e.Subject)
		if !it.Over.IsZero() {
			b.WriteString(", over")
		}
	case over:
		fmt.Fprintf(&b, "over: %s %s", e.Alarm, e.Subject)
	case gap:
		b.WriteString("not watched for a while")
	case soakOver:
		b.WriteString("the soak is over")
	case alive:
		b.WriteString("sign of life")
	case test:
		b.WriteString("test")
	case drill:
		fmt.Fprintf(&b, "DRILL, not real: %s: %s %s", strings.ToUpper(string(e.Priority)), e.Alarm, e.Subject)
	}
	if n := len(m.Items) - 1; n > 0 {
		fmt.Fprintf(&b, " and %d more", n)
	}
	b.WriteString(", bench " + m.Bench)
	if it.Ticket != "" {
		b.WriteString(", " + it.Ticket)
	}
	return b.String()
}

// text is the whole message as plain text of at most limit bytes; 0 for any
// length. What finds no room is counted.
func (m *message) text(limit int) string {
	head := m.title() + "\n"
	if m.Again {
		head += "This may have reached you before, with the same id.\n"
	}
	foot := ""
	if m.Dropped > 0 {
		foot += fmt.Sprintf("\n%d older ones found no room while nothing got through; the record has them.", m.Dropped)
	}
	if run := m.Items[0].Run; run != "" {
		foot += "\nRun " + run
	}
	if m.Link != "" {
		foot += "\nPanel: " + m.Link
	}
	foot += "\nId: " + m.ID + "\n"
	body := ""
	for i := range m.Items {
		block := "\n" + m.Items[i].text()
		more := fmt.Sprintf("\nand %d more: see the panel.\n", len(m.Items)-i)
		if limit > 0 && len(head)+len(body)+len(block)+len(more)+len(foot) > limit {
			if i == 0 {
				body = cut(block, limit-len(head)-len(more)-len(foot)-len("\n")) + "\n"
				more = fmt.Sprintf("\nand %d more: see the panel.\n", len(m.Items)-1)
				if len(m.Items) == 1 {
					more = ""
				}
			}
			body += more
			break
		}
		body += block
	}
	return head + body + foot
}

// text is what, what to do, and since when.
func (it *item) text() string {
	e := &it.Event
	var b strings.Builder
	switch it.Kind {
	case raised:
		b.WriteString(strings.ToUpper(string(e.Priority)) + ": " + e.Text + "\n")
	case over:
		fmt.Fprintf(&b, "Over: %s %s, priority %s.\n", e.Alarm, e.Subject, e.Priority)
	case drill:
		b.WriteString("This is a drill, nothing has happened. In earnest it would say:\n" + strings.ToUpper(string(e.Priority)) + ": " + e.Text + "\n")
	default:
		b.WriteString(e.Text + "\n")
	}
	if e.Advice != "" && it.Over.IsZero() {
		b.WriteString("What to do: " + e.Advice + "\n")
	}
	when := "At "
	if it.Kind == raised {
		when = "Since "
	}
	b.WriteString(when + clockTime(it.At))
	if e.T > 0 {
		b.WriteString(", " + time.Duration(e.T).Truncate(time.Second).String() + " into the run")
	}
	if !it.Over.IsZero() {
		b.WriteString("; over since " + clockTime(it.Over))
	}
	b.WriteString(".\n")
	return b.String()
}

func clockTime(t time.Time) string { return t.Local().Format("2 Jan 15:04:05") }

// cut shortens s to at most n bytes, at a rune.
func cut(s string, n int) string {
	const dots = "…"
	if len(s) <= n {
		return s
	}
	n = max(n-len(dots), 0)
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + dots
}

// entry is one item in JSON: the event as /api/events gives it, and when.
type entry struct {
	alarms.Event
	Kind kind      `json:"kind"`
	At   time.Time `json:"at"`
	Over time.Time `json:"over,omitzero"`
}

func (it *item) entry() entry {
	return entry{Event: it.Event, Kind: it.Kind, At: it.At.UTC().Round(0), Over: it.Over.UTC().Round(0)}
}

// json is the message for a program: the most important event at the top, the
// others beside it, and the whole as text.
func (m *message) json() ([]byte, error) {
	p := struct {
		entry
		MessageID string  `json:"message_id"`
		Again     bool    `json:"again"`
		Bench     string  `json:"bench"`
		Run       string  `json:"run,omitempty"`
		Ticket    string  `json:"ticket,omitempty"`
		Link      string  `json:"link,omitempty"`
		Title     string  `json:"title"`
		Body      string  `json:"body"`
		Others    []entry `json:"others,omitempty"`
	}{entry: m.Items[0].entry(), MessageID: m.ID, Again: m.Again, Bench: m.Bench, Run: m.Items[0].Run, Ticket: m.Items[0].Ticket,
		Link: m.Link, Title: m.title(), Body: m.text(0)}
	for i := range m.Items[1:] {
		p.Others = append(p.Others, m.Items[1+i].entry())
	}
	return json.Marshal(p)
}
