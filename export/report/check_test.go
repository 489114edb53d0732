package report

import (
	"bytes"
	"html"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// The last departure check and the last drill, whole, each with what it is not.
func TestChecks(t *testing.T) {
	d := &Data{Started: time.Date(2026, 1, 14, 20, 12, 0, 0, time.UTC), Events: []alarms.Event{
		{T: alarms.Seconds(time.Hour), Event: alarms.EventAct, Act: "walkaway", Text: "2 of 20 lines fail: covers, disk", Lines: []alarms.Finding{{Name: "covers", Is: alarms.Fail, Text: "before"}}},
		{T: alarms.Seconds(2 * time.Hour), Event: alarms.EventAct, Act: "walkaway", By: "A. Keeper", Text: "1 of 20 lines fails: covers", Lines: []alarms.Finding{
			{Name: "covers", Is: alarms.Fail, Text: "nobody has confirmed it"}, {Name: "cut-off", Is: alarms.Waived, Text: "no cut-off", Why: "a <relief> watches"}}},
		{T: alarms.Seconds(time.Minute), Event: alarms.EventAct, Act: "drill", Text: "dead", Lines: []alarms.Finding{{Name: "alarm", Is: alarms.Pass, Text: "no-conduction/V6"}}},
	}}
	var b bytes.Buffer
	if err := Write(&b, ".html", d); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	for _, want := range []string{"At 2:00:00 (22:12:00), by A. Keeper: 1 of 20 lines fails: covers.", `<td class="fig">covers</td><td class="grave">fail</td><td>nobody has confirmed it</td>`,
		html.EscapeString("no cut-off (waived: a <relief> watches)"), "It gave no permission", "no-conduction/V6", "Nothing of it happened"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	if strings.Contains(page, "<td>before</td>") {
		t.Error("an earlier check stands as if it were the last")
	}
	for _, suffix := range []string{".pdf", ".json"} {
		b.Reset()
		if err := Write(&b, suffix, d); err != nil || b.Len() == 0 {
			t.Errorf("%s: %v", suffix, err)
		}
	}
	if text := b.String(); !strings.Contains(text, `"line":"cut-off"`) && !strings.Contains(text, `"line": "cut-off"`) {
		t.Error("not in the JSON")
	}
}
