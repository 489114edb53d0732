package alarms_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

// A departure check and a drill are in the events, line by line; without lines
// they are nobody's.
func TestLeavingIsRecorded(t *testing.T) {
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

// HT that goes while a person is there is that person's doing; in an amplifier that
// was left alone it is an alarm, until it is back or a person is.
func TestHTGoneWhileLeftAlone(t *testing.T) {
	left := alarms.Act{Act: "walkaway", By: "A. Keeper", Lines: []alarms.Finding{{Name: "covers", Is: alarms.Pass}, {Name: "cut-off", Is: alarms.Waived, Why: "a relief"}}}
	unready := alarms.Act{Act: "walkaway", By: "A. Keeper", Lines: []alarms.Finding{{Name: "covers", Is: alarms.Fail}}}
	drill := alarms.Act{Act: "drill", Lines: []alarms.Finding{{Name: "alarm", Is: alarms.Pass}}}
	for _, tt := range []struct {
		name  string
		blind bool
		acts  []alarms.Act
		told  bool
	}{
		{"left", false, []alarms.Act{left}, true},
		{"left, no plate meter", true, []alarms.Act{left}, true},
		{"left, drilled", false, []alarms.Act{left, drill}, true},
		{"never left", false, nil, false},
		{"a line failed", false, []alarms.Act{unready}, false},
		{"back", false, []alarms.Act{left, {Act: "note", Text: "back"}}, false},
		{"cut", false, []alarms.Act{left, {Act: "cut", ID: "runaway/V7", Text: "V7 up"}}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, 4, tt.blind)
			r.soak()
			for _, a := range tt.acts {
				r.act(a)
			}
			gone := true
			r.meter = func(_ int, _ time.Duration, s *drivers.Reading) bool {
				if gone {
					s.Digits = 0
				}
				return true
			}
			got := r.run(20 * time.Second)
			var ids []string
			if tt.told {
				ids = []string{"supply/north"}
			}
			r.want(got, ids...)
			if tt.told && !slices.ContainsFunc(got, func(e alarms.Event) bool {
				return e.Text == "HT has gone while the bench was left alone" && e.Priority == alarms.Medium
			}) {
				t.Errorf("told as\n%s", lines(t, got))
			}
			gone = false // the power is back
			r.run(2 * time.Minute)
			if got := r.state("supply/north"); tt.told && got != alarms.Returned || !tt.told && got != alarms.Normal {
				t.Errorf("with HT back it is %s", got)
			}
		})
	}
}
