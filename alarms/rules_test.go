package alarms

import (
	"fmt"
	"strings"
	"testing"

	"nightsoak/acquire/bench"
)

// Every alarm has advice, and is one that the bench file knows by name.
func TestRulesAreComplete(t *testing.T) {
	var rules []*rule
	for _, r := range socketRules {
		rules = append(rules, &r.rule)
	}
	for _, r := range benchRules {
		rules = append(rules, &r.rule)
	}
	for _, r := range meterRules {
		rules = append(rules, &r.rule)
	}
	rules = append(rules, &watchRule)
	for _, r := range rules {
		if r.priority.Rank() == 0 || !strings.HasSuffix(r.advice, ".") {
			t.Errorf("%s: priority %q, advice %q", r.name, r.priority, r.advice)
		}
		text := fmt.Sprintf("name = \"north\"\n[[meter]]\nname = \"k1\"\nport = \"/dev/ttyUSB0\"\nformat = \"fs9721\"\n[cutoff]\nby = \"line\"\nport = \"/dev/ttyUSB9\"\nwhen = [%q]\n", r.name)
		if _, err := bench.Parse("bench.toml", []byte(text)); err != nil {
			t.Error(err)
		}
	}
}
