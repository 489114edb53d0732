package report

import (
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// firstNight is a night that began as a first power-up, in which one limit was passed.
func firstNight(holds bool) *Data {
	d := night(time.Hour, false)
	p := &alarms.FirstPowerState{Holds: holds, From: 0, To: 23 * time.Minute, Watched: true, HTUp: known(75, 0),
		HTHighest: alarms.Highest{Value: known(474.2, 0), T: 9 * time.Minute},
		Rise:      []alarms.RisePoint{{T: time.Minute, Mains: known(23.4, 0), HT: known(47.1, 0)}, {T: 2 * time.Minute, Mains: known(46.1, 0), HT: known(94.8, 0)}}}
	for i, s := range d.Job.Sockets {
		k := alarms.FirstPowerSocket{Name: s.Name}
		if i > 0 {
			k.At, k.HT = known(300+float64(i), 0), known(271, 0)
			k.Highest = alarms.Highest{Value: known(0.0412, 0), T: 20 * time.Minute}
		} else {
			k.Highest = alarms.Highest{Value: known(0.00042, 0), T: 10 * time.Minute}
		}
		p.Sockets = append(p.Sockets, k)
	}
	if holds {
		p.To = 0
	}
	d.Final.FirstPower = p
	d.Job.FirstPower.PlateVolts = 460
	e := alarms.Event{T: alarms.Seconds(7 * time.Minute), Event: alarms.EventAlarm, ID: "first-power/north", Alarm: "first-power", Subject: "north", Meter: "ht", Priority: alarms.High,
		State: alarms.Unacknowledged, Text: "First power-up: HT 520 V, past 508 V at mains of 230 V", Advice: "Switch off."}
	for i := range d.Events {
		if d.Events[i].T > e.T {
			d.Events = append(d.Events[:i], append([]alarms.Event{e}, d.Events[i:]...)...)
			break
		}
	}
	return d
}

// The section of a first power-up says when HT came up and how, when each socket
// first conducted and at what HT, what was highest, and what was raised; another
// run has no such section.
func TestFirstPowerSection(t *testing.T) {
	page := strings.ReplaceAll(write(t, ".html", firstNight(false)), nbsp, " ")
	for _, want := range []string{
		"<h2>First power-up</h2>", "held from 0:00:00 until the soak began at 0:23:00. HT came up at 0:01:15; the highest in that time was 474 V, at 0:09:00.",
		`<td class="fig">0:01:00</td><td class="fig">23 V</td><td class="fig">47 V</td>`,
		`<td>V5</td><td class="fig">did not</td><td class="fig">unknown</td><td class="fig">0.42 mA</td><td class="fig">0:10:00</td>`,
		`<td>V6</td><td class="fig">0:05:01</td><td class="fig">271 V</td><td class="fig">41.20 mA</td><td class="fig">0:20:00</td>`,
		"<li>0:07:00: First power-up: HT 520 V, past 508 V at mains of 230 V</li>",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	held := firstNight(true)
	held.Final.FirstPower.HTUp, held.Final.FirstPower.Rise, held.Final.FirstPower.Watched = known(75, 0), nil, false
	held.Job.FirstPower.PlateVolts = 0
	held.Events = night(time.Hour, false).Events
	page = strings.ReplaceAll(write(t, ".html", held), nbsp, " ")
	for _, want := range []string{"until the record ends at 1:00:00", "The job expects no HT, so HT was not judged.", "Nothing was raised in that time."} {
		if !strings.Contains(page, want) {
			t.Errorf("while it holds, the page has no %q", want)
		}
	}
	if plain := write(t, ".html", night(time.Hour, false)); strings.Contains(plain, "First power-up") {
		t.Error("an ordinary run has the section")
	}
	with, without := len(write(t, ".pdf", firstNight(false))), len(write(t, ".pdf", night(time.Hour, false)))
	if with <= without {
		t.Errorf("on paper it takes %d bytes, and %d without", with, without)
	}
	text := write(t, ".json", firstNight(false))
	for _, want := range []string{`"first_power":{"from_t":0.000,"to_t":1380.000,"expected_ht_v":460,"ht_up_t":75,"highest_ht_v":{"value":474.2,"t":540.000}`, `"conducts_t":null`, `"raised":["first-power/north"]`} {
		if !strings.Contains(text, want) {
			t.Errorf("the JSON has no %s", want)
		}
	}
}
