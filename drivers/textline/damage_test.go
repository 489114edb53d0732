package textline

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"nightsoak/drivers"
)

// TestDamage loses and inserts bytes and counts the readings that were never
// sent. There is no checksum, so some are unavoidable: whoever reads every line
// that arrives whole must also read a damaged one that came out like a line
// which the converter can print. The ideal decoder beside ours knows all of
// those by heart and reads nothing else. Ours may invent at most 1.2 times as
// many, and must read every line that arrives whole between line ends.
func TestDamage(t *testing.T) {
	const (
		fixed  = `(?P<value>\d{3}\.\d) mV`
		varied = `(?P<value>\d{1,3}\.\d) mV`
		loose  = `.*?(?P<value>[\d.]+).*`
	)
	tests := []struct {
		pattern, print string
		lost, inserted float64
	}{
		{fixed, "%05.1f mV", 0.05, 0},
		{fixed, "%05.1f mV", 0.20, 0},
		{fixed, "%05.1f mV", 0.05, 0.05},
		{varied, "%.1f mV", 0.01, 0},
		{varied, "%.1f mV", 0.05, 0},
		{varied, "%.1f mV", 0.20, 0},
		{varied, "%.1f mV", 0, 0.05},
		{varied, "%.1f mV", 0.05, 0.05},
		{loose, "%.1f mV", 0.01, 0.01}, // to show what a tight pattern is good for
	}
	const lines = 100_000
	var (
		sent   []string // what the lines read
		stream []byte   // what is received of them
		from   []int    // the line that each byte of it is of, -1 for none
	)
	for _, tt := range tests {
		var print []string           // every line that the converter can print
		reads := map[string]string{} // and how it reads
		for n := range 10_000 {
			line := fmt.Sprintf(tt.print, float64(n)/10)
			print = append(print, line+"\r\n")
			reads[line] = fmt.Sprintf("%.1f mV", float64(n)/10)
		}
		random := rand.New(rand.NewPCG(3, 7))
		sent, stream, from = sent[:0], stream[:0], from[:0]
		var expected float64 // readings that loss alone invents in lines of varied width
		tenths := 382.0
		for n := range lines {
			tenths = min(max(tenths+40*random.NormFloat64(), 0), 9999)
			line := print[int(tenths)]
			sent = append(sent, reads[line[:len(line)-2]])
			for _, c := range []byte(line) {
				if random.Float64() < tt.inserted {
					stream, from = append(stream, byte(random.Uint32())), append(from, -1)
				}
				if random.Float64() >= tt.lost {
					stream, from = append(stream, c), append(from, n)
				}
			}
			expected += inventedByLoss(tt.lost, len(line)-len(".0 mV\r\n"))
		}

		var arrived, delivered, invented, unavoidable int
		var got []string
		d := decoder(t, drivers.Settings{"pattern": tt.pattern, "sample": fmt.Sprintf(tt.print, 138.2), "unit": "mV"})
		emit := func(r drivers.Reading) { got = append(got, show(r)) }
		begin := 4 // joined in the first line
		for late, i := true, begin; i < len(stream); i++ {
			if stream[i] != '\r' && stream[i] != '\n' {
				continue
			}
			got = got[:0]
			d.Feed(stream[begin:i+1], emit)
			first, last := lines, -1 // the lines that these bytes are of
			for _, n := range from[begin:i] {
				if n >= 0 {
					first, last = min(first, n), max(last, n)
				}
			}
			wasSent := func(reading string) bool {
				for n := first; n <= last; n++ {
					if sent[n] == reading {
						return true
					}
				}
				return false
			}
			known, printable := reads[string(stream[begin:i])]
			switch {
			case late || !printable:
			case !wasSent(known):
				unavoidable++
			default:
				arrived++
				if len(got) == 1 && got[0] == known {
					delivered++
				}
			}
			if len(got) > 1 || late && len(got) > 0 || len(got) == 1 && !wasSent(got[0]) {
				invented++
			}
			late, begin = false, i+1
		}
		t.Logf("%-26s %2.0f %% lost, %2.0f %% inserted: %5d of %5d whole lines read; %5d readings invented, unavoidable are %5d",
			tt.pattern, 100*tt.lost, 100*tt.inserted, delivered, arrived, invented, unavoidable)
		if delivered != arrived || arrived < lines/10 {
			t.Errorf("%d of %d whole lines read", delivered, arrived)
		}
		if tt.pattern != loose && float64(invented) > 1.2*float64(unavoidable) {
			t.Errorf("%d readings were never sent, unavoidable are %d", invented, unavoidable)
		}
		if off := float64(invented) - expected; tt.pattern == varied && tt.inserted == 0 && math.Abs(off) > 4*math.Sqrt(expected)+0.01*expected {
			t.Errorf("%d readings invented, computed are %.0f", invented, expected)
		}
	}
}

// inventedByLoss is the probability that a line with n digits, a point and one
// more digit, " mV", CR and LF comes out as another of its kind, when each byte
// is lost with probability p: one of CR and LF is left before it and one behind
// it, the five bytes from the point to the V are all left, and of the n digits
// some but not all. (Two lines run into one hardly ever look like one.)
func inventedByLoss(p float64, n int) float64 {
	end := 1 - p*p
	some := 1 - math.Pow(p, float64(n)) - math.Pow(1-p, float64(n))
	return end * math.Pow(1-p, 5) * some * end
}
