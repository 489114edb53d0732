package alarms

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"nightsoak/acquire/bench"
)

const (
	developers = "../DEVELOPERS.md"
	tableFrom  = "<!-- The table of alarms is written by go test ./alarms -run AlarmTable -update; edit the rules, not this. -->\n"
	tableTo    = "<!-- End of the table of alarms. -->\n"
)

// alarmTable is the master alarm database as a person reads it: each rule as it
// stands, with the defaults of a job file that sets nothing.
func alarmTable() string {
	var b strings.Builder
	b.WriteString("| alarm | priority | on-delay | off-delay | deadband | latches | re-alarm | act | likely cause | if nobody acts | what to do |\n")
	b.WriteString("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n")
	job := &bench.Job{Limits: bench.DefaultLimits()}
	for _, r := range append(allRules(), hostRules...) {
		s := r.setting(job)
		priority, on, off, deadband, latches, again := string(r.priority), people(s.onDelay), people(s.offDelay), "", "no", orNever(s.reAlarm(r.highest()))
		if r.worst != "" {
			priority += " to " + string(r.worst)
		}
		if s.deadband > 0 {
			deadband = fmt.Sprintf("%.3g %%", 100*s.deadband)
		}
		if s.latches(r.highest()) {
			latches = "when high"
		}
		switch {
		case r == &meterSilent.rule:
			on, off = "`silent_after`", "none"
		case r == &floodRule:
			on, off, latches, again = people(floodGather), "none", "no", "never"
		case slices.Contains(hostRules, r):
			on, off, latches, again = "none", "none", "no", "never"
		}
		for _, d := range []*string{&on, &off} {
			if *d == people(0) {
				*d = "none"
			}
		}
		fmt.Fprintf(&b, "| %s |\n", strings.Join([]string{r.name, priority, on, off, deadband, latches, again, string(r.within), r.cause, r.consequence, r.advice}, " | "))
	}
	return b.String()
}

// DEVELOPERS.md has the table of alarms that the code gives: there is one source.
func TestAlarmTable(t *testing.T) {
	text, err := os.ReadFile(developers)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(text), tableFrom)
	is, after, ok2 := strings.Cut(rest, tableTo)
	if !ok || !ok2 {
		t.Fatalf("DEVELOPERS.md has no place for the table: it stands between\n%s%s", tableFrom, tableTo)
	}
	want := alarmTable()
	if flag.Lookup("update").Value.String() == "true" {
		if err := os.WriteFile(developers, []byte(before+tableFrom+want+tableTo+after), 0o644); err != nil {
			t.Fatal(err)
		}
		is = want
	}
	if is != want {
		t.Errorf("the table in DEVELOPERS.md is not what the rules say (-update writes it anew); it should be\n%s", want)
	}
}

// Every alarm of the core says all that a person needs, in sentences; what needs
// no haste is not high, and what is high cannot wait; and what the files may set
// is what the rule has.
func TestRulesSayAll(t *testing.T) {
	rank := []Response{BeforeNight, Hour, TenMinutes, AtOnce}
	names := map[string]bool{}
	for _, r := range append(allRules(), hostRules...) {
		if names[r.name] {
			t.Errorf("%s: twice", r.name)
		}
		names[r.name] = true
		for what, s := range map[string]string{"cause": r.cause, "consequence": r.consequence, "advice": r.advice} {
			if !strings.HasSuffix(s, ".") || strings.ToUpper(s[:1]) != s[:1] || strings.ContainsAny(s, "|\n") {
				t.Errorf("%s: %s is no sentence fit for a table: %q", r.name, what, s)
			}
		}
		i := slices.Index(rank, r.within)
		if i < 0 || r.highest() == High && i < 2 || r.highest() == Low && i > 1 {
			t.Errorf("%s: %s, to be acted on %s", r.name, r.highest(), r.within)
		}
		if s, ok := About(r.name); !ok || s.Alarm != r.name || s.Priority != r.highest() {
			t.Errorf("About(%q) is %+v", r.name, s)
		}
		const head = "name = \"north\"\n[[meter]]\nname = \"k1\"\nport = \"/dev/ttyUSB0\"\nformat = \"fs9721\"\n"
		_, err := bench.Parse("bench.toml", []byte(head+"[alarm."+r.name+"]\npriority = \"low\"\n"))
		if own := r == &floodRule || slices.Contains(hostRules, r); (err == nil) == own {
			t.Errorf("[alarm.%s]: %v", r.name, err)
		} else if own {
			continue
		}
		if _, err := bench.Parse("bench.toml", []byte(head+"[alarm."+r.name+"]\ndeadband = \"5%\"\n")); (err == nil) != (r.deadband > 0) {
			t.Errorf("%s: its deadband is %g, and the file's key gives %v", r.name, r.deadband, err)
		}
	}
	if _, ok := About("fire"); ok {
		t.Error("there is an alarm of fire")
	}
}
