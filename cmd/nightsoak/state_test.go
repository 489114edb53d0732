package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/export"
)

// What `state` prints of what the daemon answers: the amplifier as a whole, and
// what the sockets idled at before and after their trimmers were turned.
func TestStateInWords(t *testing.T) {
	is := func(x float64) socket.Value { return socket.Value{X: x, Known: true} }
	st := export.State{Bench: "north", RunID: "r1", Snapshot: alarms.Snapshot{T: time.Hour, Phase: alarms.Soak,
		Amplifier: alarms.AmplifierState{HTCurrent: is(0.0822), Power: is(37.9), FuseRatio: is(0.1644), Imbalance: is(-0.0048)},
		Sockets: []alarms.SocketState{
			{Name: "V5", Tube: "6L6GC", Settled: true, Figures: socket.Figures{CathodeCurrent: is(0.041), PlateDissipation: is(18.94), DissipationRatio: is(0.6314)},
				AsFound: &alarms.Idle{T: 612 * time.Second, CathodeCurrent: is(0.0362), PlateVolts: is(468.1), DissipationRatio: is(0.5648)},
				AsLeft:  &alarms.Idle{T: 1500 * time.Second, CathodeCurrent: is(0.041), PlateVolts: is(462), DissipationRatio: is(0.6314)}},
			{Name: "V6", Tube: "6L6GC", Figures: socket.Figures{PlateCurrent: is(0.0412)}, AsFound: &alarms.Idle{T: 613 * time.Second, PlateCurrent: is(0.0412)}},
		},
	}}
	printed := func() string {
		t.Helper()
		b, err := json.Marshal(st)
		if err != nil {
			t.Fatal(err)
		}
		var s remoteState
		if err := json.Unmarshal(b, &s); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if err := s.print(&out); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	want := `bench north, run r1: soak, 1:00:00 since it began
HT unknown, treat as charged
V5   6L6GC         41.0 mA  18.9 W   63.1 % of its limit    settled
V6   6L6GC         41.2 mA  unknown  share unknown          not settled
all  output tubes  82.2 mA  37.9 W   16.4 % of the HT fuse  half a -0.5 % from b
V5   as found      36.2 mA  468.1 V  56.5 % of its limit    at 0:10:12
V5   as left       41.0 mA  462.0 V  63.1 % of its limit    at 0:25:00
V6   as found      41.2 mA  unknown  share unknown          at 0:10:13
`
	if got := printed(); got != want {
		t.Errorf("printed\n%s\nwant\n%s", got, want)
	}
	st.Cutoff = cutoff.State{State: cutoff.Armed, By: "line", Holding: true}
	if got := printed(); !strings.Contains(got, "\ncut-off armed\n") {
		t.Errorf("of a cut-off that is armed:\n%s", got)
	}
	st.Cutoff = cutoff.State{State: cutoff.Cut, Why: "V7 at 115 %", Proof: cutoff.NotProved}
	if got := printed(); !strings.Contains(got, "\ncut-off cut (not proved): V7 at 115 %\n") {
		t.Errorf("of one that has dropped:\n%s", got)
	}
	st.Snapshot.Amplifier = alarms.AmplifierState{}
	if got := printed(); !strings.Contains(got, "\nall  output tubes  unknown  unknown  ") {
		t.Errorf("of an amplifier that is not known:\n%s", got)
	}
}
