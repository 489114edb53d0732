package walkaway

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/alarms/cutoff"
	"nightsoak/alarms/notify"
	"nightsoak/drivers"
	_ "nightsoak/drivers/catalogue"
)

const benchText = `
name = "north"
data_dir = "/nowhere"
[[meter]]
name = "k1"
port = "tcp://127.0.0.1:1"
format = "fs9721"
[[meter]]
name = "ht"
port = "tcp://127.0.0.1:2"
format = "fs9721"
[[meter]]
name = "spare"
port = "tcp://127.0.0.1:3"
format = "fs9721"
[[notify]]
name = "bell"
command = ["/bin/true"]
[cutoff]
by = "command"
command = ["/bin/true"]
when = ["over-dissipation"]
`

const jobText = `
ticket = "R-1187"
idle_target = "65%"
soak_for = "10h"
[[socket]]
name = "V5"
tube = "6L6GC"
half = "a"
sense = { meter = "k1", ohms = 1.0 }
plate = { meter = "ht" }
`

var now = time.Date(2026, 1, 14, 22, 10, 0, 0, time.UTC)

func known(x float64) socket.Value { return socket.Value{X: x, Known: true} }

// well are facts under which nothing is amiss but for the spare meter, which the
// job does not use, and the halves: there is one socket, so imbalance is off.
func well(t *testing.T) *Facts {
	t.Helper()
	b, err := bench.Parse("bench.toml", []byte(benchText))
	if err != nil {
		t.Fatal(err)
	}
	job := jobText + strings.NewReplacer("V5", "V6", `half = "a"`, `half = "b"`, "k1", "spare").Replace(jobText[strings.Index(jobText, "[[socket]]"):])
	j, err := bench.ParseJob("job.toml", []byte(job), b)
	if err != nil {
		t.Fatal(err)
	}
	began, proved := now.Add(-2*time.Hour), now.Add(-time.Hour)
	f := &Facts{Bench: b, Job: j, Run: "20260114-2010-R-1187", Started: began, Awake: "sleep is masked",
		Trials: []notify.Trial{{Channel: "bell", Asked: began, Delivered: began, Confirmed: began.Add(time.Minute)}},
		Cutoff: cutoff.State{State: cutoff.Armed, By: "command", ProvedAt: &proved, ProvedRun: "20260114-2010-R-1187"},
		CutTry: cutoff.ErrOnlyCut,
		Disk:   Disk{Known: true, Free: 5e9},
		Clock:  Clock{Now: now, NotBefore: began, Because: "this run began", Synced: "synchronised"}}
	s := &f.Snapshot
	s.T, s.Phase = 2*time.Hour, alarms.Soak
	for _, name := range []string{"V5", "V6"} {
		s.Sockets = append(s.Sockets, alarms.SocketState{Name: name, Settled: true, SettledAt: 14 * time.Minute, Target: 0.65, TargetTolerance: 0.05,
			Figures: socket.Figures{DissipationRatio: known(0.63)}})
	}
	for _, m := range b.Meters {
		s.Meters = append(s.Meters, alarms.MeterState{Name: m.Name, State: "ok", Age: known(0.4), Readings: 28_800,
			Reading: drivers.Reading{Digits: 410, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC}})
	}
	return f
}

// everything is what a person can confirm.
func everything() (a Answers) {
	a.By = "A. Keeper"
	for _, l := range Lines() {
		if l.Person {
			a.Confirm = append(a.Confirm, l.Name)
		}
	}
	return a
}

// Each line failing alone, with the sentence that it prints; and all of them in
// the words in which they pass.
func TestEachLineFailingAlone(t *testing.T) {
	alarm := func(state alarms.State, p alarms.Priority) func(*Facts) {
		return func(f *Facts) {
			f.Snapshot.Alarms = []alarms.AlarmState{{ID: "drift/V6", State: state, Priority: p, Until: 3 * time.Hour}}
		}
	}
	meter := func(state string, flags drivers.Flags) func(*Facts) {
		return func(f *Facts) {
			m := &f.Snapshot.Meters[0]
			m.State, m.Reading.Flags, m.Age, m.Text = state, m.Reading.Flags|flags, known(42), "/dev/ttyUSB0: no such device"
		}
	}
	for _, c := range []struct {
		line string
		do   func(*Facts)
		want string
	}{
		{"meters-live", meter("waiting", 0), "k1 has said nothing yet"},
		{"meters-live", meter("silent", 0), "k1 has said nothing for 42 s"},
		{"meters-live", meter("port", 0), "k1 has no port: /dev/ttyUSB0: no such device"},
		{"meters-live", meter("frozen", 0), "k1 shows the same digits for too long to be live"},
		{"meters-live", meter("overload", 0), "k1 is over range"},
		{"meters-function", meter("wrong-function", drivers.AC), "k1 shows 41.0 mV [dc ac], which is not what this job asks of it"},
		{"meters-hold", meter("hold", drivers.Hold), "k1 shows what is not live: switch it off at the meter"},
		{"meters-hold", meter("hold", drivers.Relative), "k1 shows what is not live: switch it off at the meter"},
		{"meters-hold", meter("hold", drivers.MinMax), "k1 shows what is not live: switch it off at the meter"},
		{"meters-battery", meter("ok", drivers.LowBattery), "k1 is low on battery: change it before the night"},
		{"meters-auto-off", meter("ok", drivers.AutoPowerOff), "k1 will switch itself off: its manual says how to keep it on"},
		{"settled", func(f *Facts) { f.Snapshot.Phase = alarms.WarmUp }, "the run is in warm-up, not in its soak"},
		{"settled", func(f *Facts) { f.Snapshot.Sockets[1].Settled = false }, "V6 has not settled"},
		{"settled", func(f *Facts) { f.Snapshot.Sockets[1].Settled, f.Snapshot.Sockets[1].SettlesIn = false, known(200) }, "V6 has not settled; by its forecast it has in 4 min"},
		{"settled", func(f *Facts) { f.Snapshot.Sockets[1].NotConducting = true }, "V6 does not conduct"},
		{"settled", func(f *Facts) { f.Snapshot.Sockets[1].Why = "probe at V5" }, "V6 is not known: probe at V5"},
		{"on-target", func(f *Facts) { f.Snapshot.Sockets[1].DissipationRatio = known(0.593) }, "V6 at 59.3 % of its limit; the job asks for 65 %, 5 either side"},
		{"on-target", func(f *Facts) { f.Snapshot.Sockets[1].DissipationRatio = socket.Value{} }, "V6's share of its limit is not known"},
		{"alarms-able", alarm(alarms.Shelved, alarms.Medium), "drift/V6 is shelved until 14 Jan 23:10 UTC"},
		{"alarms-able", alarm(alarms.OutOfService, alarms.Medium), "drift/V6 is out-of-service"},
		{"alarms-able", alarm(alarms.Suppressed, alarms.Medium), "drift/V6 is suppressed"},
		{"alarms-able", func(f *Facts) { f.Job.Sockets[1].Half = "" }, "no sockets with half a and with half b: imbalance is off"},
		{"alarms-quiet", alarm(alarms.Unacknowledged, alarms.Low), "drift/V6 is unacknowledged"},
		{"alarms-quiet", alarm(alarms.Returned, alarms.Low), "drift/V6 is returned"},
		{"alarms-quiet", alarm(alarms.Latched, alarms.High), "drift/V6 is latched"},
		{"alarms-quiet", alarm(alarms.Acknowledged, alarms.High), "drift/V6 stands, and is of high priority, acknowledged or not"},
		{"channels", func(f *Facts) { f.Trials = nil }, "the bench file has no [[notify]]: an alarm shows on the panel, and calls nobody"},
		{"channels", func(f *Facts) { f.Trials[0] = notify.Trial{Channel: "bell"} }, "bell was not tried in this run"},
		{"channels", func(f *Facts) { f.Trials[0].Confirmed = time.Time{} }, "nobody has typed back the code that bell was sent"},
		{"channels", func(f *Facts) { f.Trials[0].Confirmed, f.Trials[0].Delivered = time.Time{}, time.Time{} }, "bell has not delivered its test message yet"},
		{"channels", func(f *Facts) { f.Trials[0] = notify.Trial{Channel: "bell", Asked: now, Err: "exit status 1"} }, "bell could not deliver its test message: exit status 1"},
		{"cut-off", func(f *Facts) { f.Bench.Cutoff = nil }, "no cut-off: nothing drops the mains"},
		{"cut-off", func(f *Facts) { f.Job.Cutoff.When = []string{} }, "the job names no alarm that cuts: only a person drops the mains"},
		{"cut-off", func(f *Facts) { f.Cutoff.State, f.Cutoff.Why = cutoff.Cut, "a person said: cut now" }, "the cut-off is cut, not armed: a person said: cut now"},
		{"cut-off", func(f *Facts) { f.CutTry = errors.New("no such port") }, "the cut-off could not drop now: no such port"},
		{"cut-off", func(f *Facts) { f.Cutoff.ProvedAt = nil }, "armed by command, but never seen to drop the mains: cut once with HT up, look, switch on again by hand and re-arm"},
		{"cut-off", func(f *Facts) { f.Cutoff.ProvedRun = "20260112-1955-R-1180" }, "armed by command, but last seen to drop the mains 14 Jan 2026 21:10 UTC, in run 20260112-1955-R-1180 and not in this one"},
		// 3 meters of 28,800 readings in 2 h are 12 a second, 36,000 s long: 432,000 readings of 29 B are 12.5 MB.
		{"disk", func(f *Facts) { f.Disk.Free = 112e6 }, "too little room for the record: 112 MB free; 10h0m0s at 12 readings a second takes 113 MB at most, with 100 MB to spare"},
		{"disk", func(f *Facts) { f.Disk = Disk{} }, "how much room is left on the disk is not known here"},
		{"clock", func(f *Facts) { f.Clock.NotBefore = now.Add(time.Hour) }, "the clock says 14 Jan 2026 22:10 UTC, but this run began 14 Jan 2026 23:10 UTC: set it"},
		{"awake", func(f *Facts) { f.Awake = "" }, "this machine will not go to sleep: nobody has confirmed it"},
		{"dummy-load", nil, "dummy load fitted, and rated for what this amplifier can put out: nobody has confirmed it"},
		{"ht-fuse", nil, "HT fuse fitted, of the right value and kind: nobody has confirmed it"},
		{"covers", nil, "covers and guards on: nobody has confirmed it"},
		{"surroundings", nil, "a working smoke alarm that someone hears, and nothing near that burns: nobody has confirmed it"},
		{"access", nil, "nobody untrained can reach it, nor any animal: nobody has confirmed it"},
		{"local-rules", nil, "local rules and whoever answers for the place allow it: nobody has confirmed it"},
	} {
		f, a := well(t), everything()
		if c.do != nil {
			c.do(f)
		} else {
			a.Confirm = slices.DeleteFunc(a.Confirm, func(l string) bool { return l == c.line })
		}
		r, err := Check(f, a)
		if err != nil {
			t.Fatal(err)
		}
		if want := fmt.Sprintf("1 of %d lines fail: %s", len(lines), c.line); r.OK || r.Text != want {
			t.Errorf("%s (%s): %v %q", c.line, c.want, r.OK, r.Text)
		}
		i := slices.IndexFunc(r.Lines, func(l alarms.Finding) bool { return l.Name == c.line })
		if got := r.Lines[i]; got.Is != alarms.Fail || got.Text != c.want {
			t.Errorf("%s: %s\ngot  %q\nwant %q", c.line, got.Is, got.Text, c.want)
		}
		// The same, waived by name.
		a.Waive = map[string]string{c.line: "a relief watches"}
		if r, err = Check(f, a); err != nil || !r.OK || r.Lines[i].Is != alarms.Waived || r.Lines[i].Why != "a relief watches" || r.Lines[i].Text != c.want || !strings.HasSuffix(r.Text, "1 waived by A. Keeper") {
			t.Errorf("%s waived: %v %+v %q", c.line, err, r.Lines[i], r.Text)
		}
	}
}

func TestAllPass(t *testing.T) {
	f, a := well(t), everything()
	f.Snapshot.Alarms = []alarms.AlarmState{{ID: "imbalance/north", State: alarms.Acknowledged, Priority: alarms.Low}}
	r, err := Check(f, a)
	if err != nil {
		t.Fatal(err)
	}
	var got strings.Builder
	fmt.Fprintln(&got, r.OK, r.Text)
	for _, l := range r.Lines {
		fmt.Fprintln(&got, l.Is, l.Name+":", l.Text)
	}
	const want = `true all 20 lines pass
pass meters-live: 3 meters live, the oldest reading 0.4 s old
pass meters-function: every meter shows what this job asks of it
pass meters-hold: no meter says that it is on hold, relative or min/max
pass meters-battery: no meter says that it is low on battery
pass meters-auto-off: no meter says that it is set to switch itself off
pass settled: 2 sockets settled, the last 14m0s into the run
pass on-target: 2 sockets within 5 points of 65 % of their limit
pass alarms-able: every limit is set, and no alarm is shelved, suppressed or out of service
pass alarms-quiet: nothing stands but what was acknowledged, and will not call again: imbalance/north
pass channels: bell heard 14 Jan 20:11 UTC
pass cut-off: armed by command; HT and currents were seen to fall in this run, 14 Jan 2026 21:10 UTC
pass disk: 5000 MB free; 10h0m0s at 12 readings a second takes 113 MB at most, with 100 MB to spare
pass clock: 14 Jan 2026 22:10 UTC; synchronised
pass awake: sleep is masked
pass dummy-load: dummy load fitted, and rated for what this amplifier can put out: confirmed by A. Keeper
pass ht-fuse: HT fuse fitted, of the right value and kind: confirmed by A. Keeper
pass covers: covers and guards on: confirmed by A. Keeper
pass surroundings: a working smoke alarm that someone hears, and nothing near that burns: confirmed by A. Keeper
pass access: nobody untrained can reach it, nor any animal: confirmed by A. Keeper
pass local-rules: local rules and whoever answers for the place allow it: confirmed by A. Keeper
`
	if got.String() != want {
		t.Errorf("got\n%s", got.String())
	}
	// Where the machine does not tell, a person does; and an unknown clock is said.
	f.Awake, f.Clock.Synced = "", ""
	a.Confirm = append(a.Confirm, "awake")
	if r, err = Check(f, a); err != nil || !r.OK || r.Lines[12].Text != "14 Jan 2026 22:10 UTC; whether it is synchronised is not known" || r.Lines[13].Text != "this machine will not go to sleep: confirmed by A. Keeper" {
		t.Errorf("%v %+v", err, r.Lines[12:14])
	}
}

func TestNoTarget(t *testing.T) {
	f := well(t)
	f.Job.IdleTarget = 0
	r, err := Check(f, everything())
	if err != nil || r.Text != "2 of 20 lines fail: on-target, alarms-able" {
		t.Errorf("%v %q", err, r.Text)
	}
}

func TestWhichMetersCount(t *testing.T) {
	f := well(t)
	f.Job.Sockets = f.Job.Sockets[:1]
	f.Snapshot.Meters[2].State = "port"
	if is, why := metersLive(f); why != "" || !strings.HasPrefix(is, "2 meters live") {
		t.Errorf("a meter that the job does not use: %q %q", is, why)
	}
	f.Job.Watches = []bench.Watch{{Name: "heater", Meter: 2}}
	if _, why := metersLive(f); why == "" {
		t.Error("a watch's meter does not count")
	}
}

func TestWrongAnswers(t *testing.T) {
	for want, a := range map[string]Answers{
		`no line "cover" to confirm; those that a person confirms are dummy-load, ht-fuse, covers, surroundings, access, local-rules`: {Confirm: []string{"cover"}},
		"settled is judged by what the daemon sees; it can be waived, not confirmed":                                                  {Confirm: []string{"settled"}},
		"awake is judged by what the daemon sees; it can be waived, not confirmed":                                                    {Confirm: []string{"awake"}},
		"say why covers is waived: who reads the record must know":                                                                    {Waive: map[string]string{"covers": " "}, By: "A. Keeper"},
		"say who waives covers, by name":                                                                                              {Waive: map[string]string{"covers": "open bench"}},
	} {
		if _, err := Check(well(t), a); !errors.Is(err, ErrAnswer) || err.Error() != "walkaway: "+want {
			t.Errorf("%v\nwant %s", err, want)
		}
	}
	if _, err := Check(well(t), Answers{Waive: map[string]string{"x": "y"}, By: "A. Keeper"}); !errors.Is(err, ErrAnswer) || !strings.Contains(err.Error(), `no line "x" to waive; lines are meters-live, `) {
		t.Error(err)
	}
}

// Nothing here is called safe, and local rules go before the list.
func TestWords(t *testing.T) {
	all := strings.Join(Cautions, " ")
	for _, l := range lines {
		all += " " + l.About
	}
	if strings.Contains(strings.ToLower(strings.ReplaceAll(all, "safety device", "")), "safe") || !strings.Contains(all, "local rules") {
		t.Error(all)
	}
	seen := map[string]bool{}
	for _, l := range lines {
		seen[l.Name] = true
	}
	if len(seen) != len(lines) {
		t.Error("a name twice: ", slices.Sorted(maps.Keys(seen)))
	}
}
