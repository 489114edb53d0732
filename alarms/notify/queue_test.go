package notify

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// a full state, of which nothing must be lost on the way to disk and back.
func fullState() state {
	at := time.Date(2026, 3, 4, 23, 0, 3, 0, time.UTC)
	it := item{Kind: raised, Run: "R-1187-1", Ticket: "R-1187", Seq: 7, At: at, Due: at.Add(2 * time.Second), Wait: true, Over: at.Add(time.Minute), Ended: true,
		Event: alarms.Event{T: alarms.Seconds(7203 * time.Second), Event: "alarm", ID: "sense-open/V7", Alarm: "sense-open", Subject: "V7", Priority: alarms.High,
			State: alarms.Unacknowledged, Text: "1 Ω open", Advice: "Switch off."}}
	return state{Version: stateVersion, Run: "R-1187-1", Seq: 9, Queue: []item{it}, Told: []string{"R-1187-1 drift/V6"}, Dropped: 3, AliveOn: "2026-03-04",
		Out:          &outgoing{ID: "R-1187-1:7:phone", Items: []item{it}, Tries: 4, Maybe: true, Next: at, Dropped: 1},
		FailingSince: at, DeadTold: true, Trial: &Trial{Channel: "phone", Run: "R-1187-1", Code: "K7QP", Asked: at, Delivered: at, Confirmed: at}}
}

func TestStateRoundTrip(t *testing.T) {
	want := fullState()
	b, err := want.marshal()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "notify", "phone.json")
	if err := writeAside(path, b); err != nil {
		t.Fatal(err)
	}
	got, err := load(path)
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%v\n%+v\nwant\n%+v", err, got, want)
	}
	if i, err := os.Stat(path); err != nil || i.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", i.Mode(), err)
	}
	c := want.clone()
	c.Out.Items[0].Ended, c.Queue[0].Wait, c.Told[0], c.Trial.Code = false, false, "", ""
	if !reflect.DeepEqual(want, fullState()) {
		t.Error("a clone shares what changes")
	}
}

// A queue that cannot be read is kept aside, and said: never overwritten, never
// a reason not to start.
func TestDamagedQueue(t *testing.T) {
	good, err := func() ([]byte, error) { s := fullState(); return s.marshal() }()
	if err != nil {
		t.Fatal(err)
	}
	for name, bytes := range map[string]string{
		"empty": "", "cut": string(good[:len(good)/2]), "not JSON": "\x00\x01", "other version": `{"version":2}`, "no version": "{}",
		"message without id": `{"version":1,"out":{"items":[{}]}}`, "message without content": `{"version":1,"out":{"id":"x"}}`,
		"too many": `{"version":1,"queue":[` + strings.Repeat("{},", maxQueued) + "{}]}", "time of nonsense": `{"version":1,"failing_since":"noon"}`,
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "phone.json")
			if err := os.WriteFile(path, []byte(bytes), 0o600); err != nil {
				t.Fatal(err)
			}
			s, err := load(path)
			if !errors.Is(err, errState) || !strings.Contains(err.Error(), "phone.json.damaged") || !reflect.DeepEqual(s, state{}) {
				t.Errorf("%+v, %v", s, err)
			}
			if kept, err := os.ReadFile(path + ".damaged"); err != nil || string(kept) != bytes {
				t.Errorf("kept %q, %v", kept, err)
			}
			if s, err := load(path); err != nil || !reflect.DeepEqual(s, state{}) {
				t.Errorf("then: %+v, %v", s, err)
			}
		})
	}
}

// FuzzState holds that no queue file stops a daemon, and that what was read is
// written back as it was.
func FuzzState(f *testing.F) {
	s := fullState()
	b, err := s.marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"version":1}`))
	f.Add([]byte(`{"version":1,"out":{"id":"x","items":[{"event":{"t":1e9}}]}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := parseState(b)
		if err != nil {
			if !errors.Is(err, errState) {
				t.Errorf("%v", err)
			}
			return
		}
		again, err := s.marshal()
		if err != nil {
			t.Fatalf("%q: %v", b, err)
		}
		s2, err := parseState(again)
		if err != nil {
			t.Fatalf("%q: %v", again, err)
		}
		third, err := s2.marshal()
		if err != nil || string(third) != string(again) {
			t.Errorf("%s\nthen\n%s, %v", again, third, err)
		}
		if s.Out != nil { // and every message can be said
			n := &Notifier{bench: "north"}
			m := n.message(&channel{}, s.Out)
			m.text(maxText)
			if _, err := m.json(); err != nil {
				t.Error(err)
			}
		}
	})
}
