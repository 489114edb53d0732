package export

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/drivers"
)

func is(x float64) socket.Value { return socket.Value{X: x, Known: true} }

func decode(t *testing.T, v any) map[string]any {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func TestStateJSON(t *testing.T) {
	reading, err := drivers.ParseReading("41.0", "mV", "dc auto")
	if err != nil {
		t.Fatal(err)
	}
	charged, cutAt := true, time.Date(2026, 1, 14, 22, 44, 24, 0, time.UTC)
	s := State{
		Bench: "north", RunID: "r1", Ticket: "R-1187", Amplifier: "four-tube bass head, 100 W",
		Started: time.Date(2026, 1, 14, 21, 12, 0, 0, time.FixedZone("", 3600)),
		Snapshot: alarms.Snapshot{
			T: 9144 * time.Second, Phase: alarms.Soak, PhaseSince: 1410 * time.Second,
			HT:        alarms.HTState{Volts: is(462), Charged: &charged, Settled: is(462.4)},
			Amplifier: alarms.AmplifierState{HTCurrent: is(0.164), Power: is(75.8), FuseRatio: is(0.328), Imbalance: is(-0.02)},
			Sockets: []alarms.SocketState{{
				Name: "V5", Tube: "6L6GC", Half: "a", Limit: 30, Target: 0.65,
				Figures: socket.Figures{CathodeCurrent: is(0.041), PlateCurrent: is(0.041), PlateVolts: is(462), PlateDissipation: is(18.942),
					DissipationRatio: socket.Value{X: 0.6314, U: 0.004, Known: true},
					ScreenCurrent:    is(0.0025), ScreenVolts: is(455), ScreenDissipation: is(1.1375), ScreenRatio: is(0.2275), PlateVoltsRatio: is(0.924), CathodeCurrentRatio: is(0.41)},
				AsFound: &alarms.Idle{T: 900 * time.Second, CathodeCurrent: is(0.036), PlateVolts: is(466), DissipationRatio: is(0.5592)},
				AsLeft:  &alarms.Idle{T: 1302 * time.Second, PlateCurrent: is(0.041)}, Neighbour: is(0.015),
				DriftPerHour: is(0.004), Settled: true, SettledRatio: is(0.63), SettledAt: 1302 * time.Second, Age: is(0.2),
			}, {Name: "V6", Tube: "6L6GC", Limit: 30}},
			Watches: []alarms.WatchState{{Name: "heater", Value: is(6.29), Quantity: drivers.Voltage}, {Name: "hum"}},
			Meters: []alarms.MeterState{
				{Name: "k1", State: "ok", Reading: reading, Age: is(0.2), Readings: 45600},
				{Name: "k2", State: "silent", Reading: reading, Age: is(49), Readings: 12, Text: "port: gone"},
			},
			Alarms: []alarms.AlarmState{{ID: "drift/V5", Alarm: "drift", Subject: "V5", Priority: alarms.Medium, State: alarms.Unacknowledged, Active: true,
				Since: 8880500 * time.Millisecond, Text: "V5 drifts", Advice: "look"}},
		},
		Rejects: []drivers.Rejects{{drivers.Noise: 3}},
		Notices: []string{"a notice"},
		Cutoff:  cutoff.State{State: cutoff.Cut, By: "line", Why: "V5 is over", Since: &cutAt, Proof: cutoff.Proved, Seen: "HT fell", ProvedAt: &cutAt, ProvedRun: "r1"},
	}
	want := map[string]any{
		"bench": "north",
		"run": map[string]any{"id": "r1", "ticket": "R-1187", "amplifier": "four-tube bass head, 100 W", "started": "2026-01-14T20:12:00Z",
			"phase": "soak", "since": "2026-01-14T20:35:30Z", "t": 9144.0},
		"ht":        map[string]any{"volts": 462.0, "charged": true, "settled_volts": 462.4},
		"amplifier": map[string]any{"ht_current_a": 0.164, "power_w": 75.8, "fuse_ratio": 0.328, "imbalance": -0.02},
		"sockets": []any{
			map[string]any{"name": "V5", "tube": "6L6GC", "half": "a", "cathode_current_a": 0.041, "plate_current_a": 0.041, "plate_volts": 462.0,
				"plate_dissipation_w": 18.942, "dissipation_ratio": 0.6314, "dissipation_ratio_u95": 0.008, "limit_w": 30.0, "target_ratio": 0.65,
				"drift_per_hour_ratio": 0.004, "settled": true, "settled_ratio": 0.63, "settled_at": "2026-01-14T20:33:42Z", "settles_in_s": nil, "settles_at_a": nil, "settles_at_a_u95": nil, "limit_in_s_early": nil, "limit_in_s_late": nil,
				"not_conducting": false, "age_s": 0.2,
				"screen_current_a": 0.0025, "screen_dissipation_w": 1.1375, "screen_ratio": 0.2275, "plate_volts_ratio": 0.924, "cathode_current_ratio": 0.41, "neighbour": 0.015,
				"as_found": map[string]any{"t": 900.0, "cathode_current_a": 0.036, "plate_current_a": nil, "plate_volts": 466.0, "dissipation_ratio": 0.5592},
				"as_left":  map[string]any{"t": 1302.0, "cathode_current_a": nil, "plate_current_a": 0.041, "plate_volts": nil, "dissipation_ratio": nil}},
			map[string]any{"name": "V6", "tube": "6L6GC", "cathode_current_a": nil, "plate_current_a": nil, "plate_volts": nil,
				"plate_dissipation_w": nil, "dissipation_ratio": nil, "dissipation_ratio_u95": nil, "limit_w": 30.0, "target_ratio": nil,
				"drift_per_hour_ratio": nil, "settled": false, "settled_ratio": nil, "settled_at": nil, "settles_in_s": nil, "settles_at_a": nil, "settles_at_a_u95": nil, "limit_in_s_early": nil, "limit_in_s_late": nil,
				"not_conducting": false, "age_s": nil,
				"screen_current_a": nil, "screen_dissipation_w": nil, "screen_ratio": nil, "plate_volts_ratio": nil, "cathode_current_ratio": nil, "neighbour": nil,
				"as_found": nil, "as_left": nil},
		},
		"watches": []any{map[string]any{"name": "heater", "value": 6.29, "unit": "V"}, map[string]any{"name": "hum", "value": nil, "unit": ""}},
		"meters": []any{
			map[string]any{"name": "k1", "state": "ok", "reading": "41.0", "unit": "mV", "flags": []any{"dc", "auto"}, "age_s": 0.2, "readings": 45600.0, "rejected": map[string]any{"noise": 3.0}},
			map[string]any{"name": "k2", "state": "silent", "reading": nil, "unit": nil, "flags": []any{}, "age_s": 49.0, "readings": 12.0, "rejected": map[string]any{}, "text": "port: gone"},
		},
		"alarms": []any{map[string]any{"id": "drift/V5", "alarm": "drift", "subject": "V5", "priority": "medium", "state": "unacknowledged", "active": true,
			"since": "2026-01-14T22:40:00.5Z", "text": "V5 drifts", "advice": "look"}},
		"notices": []any{"a notice"},
		"cutoff": map[string]any{"state": "cut", "by": "line", "why": "V5 is over", "since": "2026-01-14T22:44:24Z", "holding": false,
			"proof": "proved", "seen": "HT fell", "proved_at": "2026-01-14T22:44:24Z", "proved_run": "r1"},
	}
	if diff := cmp.Diff(want, decode(t, s)); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(want, decode(t, &s)); diff != "" {
		t.Errorf("through a pointer: %s", diff)
	}
}

// TestNoRun: no run is null, and lists are empty, not null.
func TestNoRun(t *testing.T) {
	want := map[string]any{"bench": "north", "run": nil, "ht": map[string]any{"volts": nil, "charged": nil, "settled_volts": nil},
		"amplifier": map[string]any{"ht_current_a": nil, "power_w": nil, "fuse_ratio": nil, "imbalance": nil},
		"sockets":   []any{}, "watches": []any{}, "meters": []any{}, "alarms": []any{}, "notices": []any{},
		"cutoff": map[string]any{"state": "absent", "since": nil, "holding": false, "proved_at": nil}}
	if diff := cmp.Diff(want, decode(t, State{Bench: "north"})); diff != "" {
		t.Error(diff)
	}
}

// TestNotAFigure: what JSON has no number for is null, wherever it stands.
func TestNotAFigure(t *testing.T) {
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		v := is(x)
		s := State{Snapshot: alarms.Snapshot{
			HT:        alarms.HTState{Volts: v, Settled: v},
			Amplifier: alarms.AmplifierState{HTCurrent: v, Power: v, FuseRatio: v, Imbalance: v},
			Sockets: []alarms.SocketState{{
				Figures: socket.Figures{CathodeCurrent: v, PlateCurrent: v, PlateVolts: v, PlateDissipation: v, DissipationRatio: v, ScreenCurrent: v, ScreenDissipation: v, ScreenRatio: v, PlateVoltsRatio: v, CathodeCurrentRatio: v},
				AsFound: &alarms.Idle{CathodeCurrent: v, PlateCurrent: v, PlateVolts: v, DissipationRatio: v}, Neighbour: v,
				DriftPerHour: v, SettledRatio: v, SettlesIn: v, SettlesAt: v, Age: v, Target: x, Limit: x}},
			Watches: []alarms.WatchState{{Value: v}},
			Meters:  []alarms.MeterState{{State: "ok", Age: v}},
		}}
		k := decode(t, s)["sockets"].([]any)[0].(map[string]any)
		for _, field := range []string{"cathode_current_a", "dissipation_ratio", "drift_per_hour_ratio", "settles_in_s", "settles_at_a", "age_s", "target_ratio", "limit_w",
			"screen_current_a", "screen_dissipation_w", "screen_ratio", "plate_volts_ratio", "cathode_current_ratio", "neighbour"} {
			if got, ok := k[field]; !ok || got != nil {
				t.Errorf("%g as %s reads %v", x, field, got)
			}
		}
	}
}

func TestU95(t *testing.T) {
	for _, c := range []struct{ in, want socket.Value }{
		{socket.Value{X: 0.63, U: 0.004, Known: true}, is(0.008)},
		{socket.Value{X: 0.63, Known: true}, socket.Value{}}, // not stated
		{socket.Value{U: 0.004}, socket.Value{}},
	} {
		got := U95(c.in)
		if got.Known != c.want.Known || got.Known && got.X != c.want.X {
			t.Errorf("U95(%+v) = %+v, want %+v", c.in, got, c.want)
		}
	}
}
