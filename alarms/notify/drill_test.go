package notify

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
)

// A drill goes the way of a real alarm of its priority and no further, says that
// it is one wherever it is read, and never stands above what is real.
func TestDrill(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, dir, channelNamed("a"), channelNamed("b"),
			channelNamed("c", func(c *bench.Notify) { c.AtLeast = "high" }),
			channelNamed("d", func(c *bench.Notify) { c.EscalateAfter = time.Hour }),
			channelNamed("e", func(c *bench.Notify) { c.Quiet = bench.Hours{Given: true, From: 0, To: 24*60 - 1} }))
		h.senders["b"].set(errors.New("no route"))
		e := alarms.Event{Event: alarms.EventAlarm, ID: "drift/V6", Alarm: "drift", Subject: "V6", Priority: alarms.Medium, State: alarms.Unacknowledged,
			Text: "V6 drifts", Advice: "Watch this tube."}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		began := time.Now()
		got := h.Drill(ctx, e)
		if d := got[0].Delivered.Sub(got[0].Asked); got[0].Err != "" || d != h.pace.company {
			t.Errorf("a: %+v after %v", got[0], d)
		}
		if got[1].Asked.IsZero() || !got[1].Delivered.IsZero() || got[1].Err != "no route" || time.Since(began) != 20*time.Second {
			t.Errorf("b: %+v", got[1])
		}
		for i, want := range map[int]string{2: "tells only what is of high priority or more", 3: "tells only what nobody has acknowledged for 1h0m0s", 4: "has its quiet hours, and tells what is not high after them"} {
			if !got[i].Asked.IsZero() || got[i].Err != want {
				t.Errorf("%s: %+v", got[i].Channel, got[i])
			}
		}
		h.want("a", "DRILL, not real: MEDIUM: drift V6, bench north, R-1187")
		m := h.senders["a"].got[0]
		if text := m.text(0); !strings.Contains(text, "This is a drill, nothing has happened. In earnest it would say:\nMEDIUM: V6 drifts\nWhat to do: Watch this tube.") {
			t.Error(text)
		}
		var program struct{ ID, Event, Kind string }
		b, err := m.json()
		if err == nil {
			err = json.Unmarshal(b, &program)
		}
		if err != nil || program.ID != "" || program.Event != "drill" || program.Kind != "drill" {
			t.Errorf("%v %s", err, b)
		}

		// Beside a real one of lower priority; nobody waits, since ctx is done.
		e.Priority = alarms.High
		h.Drill(ctx, e)
		h.alarm("imbalance/north", alarms.Medium, alarms.Unacknowledged)
		time.Sleep(5 * time.Second)
		h.want("a", "DRILL, not real: MEDIUM: drift V6, bench north, R-1187", "MEDIUM: imbalance north and 1 more, bench north, R-1187")
		h.close()
	})
}
