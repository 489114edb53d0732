package alarms_test

import (
	"errors"
	"testing"

	"nightsoak/alarms"
)

// A departure check and a drill are in the events, line by line, and are no
// judgement; without lines they are nobody's.
func TestLeavingIsOnlyRecorded(t *testing.T) {
	r := newRig(t, 4, false)
	r.soak()
	from := len(r.ev)
	r.act(alarms.Act{Act: "walkaway", By: "A. Keeper", Text: "1 of 2 lines fail: covers", Lines: []alarms.Finding{
		{Name: "covers", Is: alarms.Fail, Text: "nobody has confirmed it"}, {Name: "cut-off", Is: alarms.Waived, Text: "no cut-off", Why: "a relief"}}})
	r.act(alarms.Act{Act: "drill", Text: "seen", Lines: []alarms.Finding{{Name: "alarm", Is: alarms.Pass, Text: "runaway/V7"}}})
	const want = `{"t":900.000,"event":"act","act":"walkaway","by":"A. Keeper","lines":[{"line":"covers","is":"fail","text":"nobody has confirmed it"},{"line":"cut-off","is":"waived","text":"no cut-off","why":"a relief"}],"text":"1 of 2 lines fail: covers"}
{"t":900.000,"event":"act","act":"drill","lines":[{"line":"alarm","is":"pass","text":"runaway/V7"}],"text":"seen"}
`
	if got := lines(t, r.ev[from:]); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	for _, act := range []string{"walkaway", "drill"} {
		if err := r.e.Check(alarms.Act{Act: act}); !errors.Is(err, alarms.ErrRefused) {
			t.Errorf("%s without lines: %v", act, err)
		}
	}
	r.act(alarms.Act{Act: "end"})
	if err := r.e.Check(alarms.Act{Act: "drill", Lines: []alarms.Finding{{Name: "alarm"}}}); !errors.Is(err, alarms.ErrRefused) {
		t.Errorf("after the end: %v", err)
	}
}
