package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
)

// nbsp keeps a figure and its unit on one line.
const nbsp = "\u00a0"

const unknown = "unknown"

// long is a duration in words: "9 h 58 min", "44 min", "30 s".
func long(d time.Duration) string {
	switch d = d.Truncate(time.Second); {
	case d < time.Minute:
		return fmt.Sprintf("%d%ss", int(d.Seconds()), nbsp)
	case d < time.Hour:
		return fmt.Sprintf("%d%smin", int(d.Minutes()), nbsp)
	case d%time.Hour < time.Minute:
		return fmt.Sprintf("%d%sh", int(d.Hours()), nbsp)
	}
	return fmt.Sprintf("%d%sh %[3]d%[2]smin", int(d.Hours()), nbsp, int(d.Minutes())%60)
}

// figure is a value times scale with its unit, and its expanded uncertainty
// (coverage factor 2, about 95 %) where that is known: "41.0 ± 0.6 mA".
func figure(v socket.Value, scale float64, decimals int, unit string) string {
	if !v.Known || math.IsNaN(v.X) || math.IsInf(v.X, 0) {
		return unknown
	}
	x, u := v.X*scale, 2*v.U*scale
	for u > 0 && decimals < 3 && u < 0.95*math.Pow10(-decimals) {
		decimals++
	}
	if math.Abs(x) < 0.5*math.Pow10(-decimals) {
		x = 0 // never "-0"
	}
	if !(u > 0) {
		return fmt.Sprintf("%.*f%s%s", decimals, x, nbsp, unit)
	}
	u = max(u, math.Pow10(-decimals)) // never shown as nothing
	return fmt.Sprintf("%.*f%s±%[3]s%.[1]*[4]f%[3]s%[5]s", decimals, x, nbsp, u, unit)
}

// rough is a figure for the owner's page: no uncertainty.
func rough(v socket.Value, scale float64, unit string) string {
	v.U = 0
	return figure(v, scale, 0, unit)
}

// percent is a ratio that somebody set: "100 %", "2.5 %".
func percent(r float64) string { return fmt.Sprintf("%.4g%s%%", r*100, nbsp) }

// list is "V5", "V5 and V6", "V5, V6 and V7".
func list(s []string) string {
	if len(s) < 2 {
		return strings.Join(s, "")
	}
	return strings.Join(s[:len(s)-1], ", ") + " and " + s[len(s)-1]
}

// alarmWords are the alarms in words that need no manual; %s is the subject,
// left out where it is the bench itself.
var alarmWords = map[string]string{
	"over-dissipation":     "%s over its plate dissipation limit",
	"runaway":              "runaway on %s",
	"sense-open":           "sense resistor open on %s",
	"plate-lead":           "plate meter's clip off",
	"first-power":          "a limit of the first power-up passed",
	"cutoff-failed":        "the cut-off failed",
	"record-failing":       "the record failed",
	"drift":                "drift on %s",
	"step":                 "sudden step on %s",
	"intermittent":         "bad contact at %s",
	"no-conduction":        "%s not conducting",
	"supply":               "plate supply moved",
	"watch":                "%s outside its limits",
	"meter-silent":         "meter %s silent",
	"meter-overload":       "meter %s over range",
	"meter-wrong-function": "meter %s on the wrong function",
	"meter-hold":           "meter %s on hold",
	"meter-frozen":         "meter %s frozen",
	"meter-flooding":       "meter %s flooded",
	"meter-low-battery":    "meter %s low on battery",
	"meter-auto-off":       "meter %s about to switch itself off",
	"imbalance":            "halves out of balance",
	"not-settled":          "%s not settled in time",
	"idle-off-target":      "%s idles off its target",
	"outlet-losing":        "a database missed lines",
	"clock-jumped":         "the wall clock jumped",
	"alarm-flood":          "more alarms than can be told one by one",
}

// words is an alarm in words.
func words(alarm, subject string) string {
	format, ok := alarmWords[alarm]
	if !ok {
		format = strings.ReplaceAll(alarm, "-", " ") + " on %s"
	}
	return strings.ReplaceAll(format, "%s", subject)
}

func tubeName(s bench.Socket) string {
	if s.Tube == nil {
		return ""
	}
	return s.Tube.Name
}

// accuracy is a meter's accuracy as the bench file writes it.
func accuracy(a bench.Accuracy) string {
	return fmt.Sprintf("%.6g%% + %.6g", a.OfReading*100, a.Counts)
}

// count is a whole number with its thousands apart.
func count(n *uint64) string {
	if n == nil {
		return unknown
	}
	s := fmt.Sprint(*n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + nbsp + s[i:]
	}
	return s
}

// few is list, cut short where it would fill a paragraph.
func few(s []string) string {
	if len(s) > 5 {
		s = append(slices.Clone(s[:4]), fmt.Sprintf("%d more", len(s)-4))
	}
	return list(s)
}

// sentence is s with its full stop.
func sentence(s string) string {
	if s = strings.TrimSpace(s); s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") {
		return s
	}
	return s + "."
}

// capital is s with its first letter in upper case.
func capital(s string) string {
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}
