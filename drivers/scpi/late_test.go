package scpi

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
)

// stalling is a scanner that answers in order, but stalls at random, sometimes
// for longer than anybody waits. Each figure it sends is a number of its own.
type stalling struct {
	random   *rand.Rand
	conf     string // as it was last set
	figures  int    // sent so far
	queue    []byte
	ready    time.Time
	timeout  time.Duration
	patience time.Duration // what is called a stall
}

func (m *stalling) SetReadTimeout(d time.Duration) error { m.timeout = d; return nil }

func (m *stalling) Write(p []byte) (int, error) {
	line := strings.TrimSpace(string(p))
	answer := ""
	switch {
	case strings.HasPrefix(line, "CONF:"):
		m.conf = line
	case line == "*IDN?":
		answer = identity
	case line == "SYST:ERR?":
		answer = `0,"No error"`
	case line == "FUNC?", line == "CONF?":
		answer = `"VOLT"`
	case line == "READ?":
		m.figures++
		answer = fmt.Sprintf("%d.0", m.figures)
	}
	if answer != "" {
		m.queue = append(m.queue, answer+"\n"...)
	}
	if m.ready.Before(time.Now()) {
		m.ready = time.Now()
	}
	if m.random.IntN(100) == 0 {
		m.ready = m.ready.Add(time.Duration(m.random.Int64N(int64(4 * m.patience))))
	}
	return len(p), nil
}

// Read gives a few bytes at a time: it may stall within an answer too.
func (m *stalling) Read(p []byte) (int, error) {
	if wait := time.Until(m.ready); len(m.queue) == 0 || wait > m.timeout {
		time.Sleep(m.timeout)
		return 0, nil
	} else {
		time.Sleep(wait)
	}
	n := copy(p, m.queue[:min(len(m.queue), 1+m.random.IntN(8))])
	m.queue = m.queue[n:]
	if m.random.IntN(200) == 0 {
		m.ready = time.Now().Add(time.Duration(m.random.Int64N(int64(2 * m.patience))))
	}
	return n, nil
}

// TestNobodyTakesAnothersAnswer asks several meters on one stalling port in turn.
func TestNobodyTakesAnothersAnswer(t *testing.T) {
	for _, settings := range [][]drivers.Settings{
		{{"function": "VOLT:DC", "channel": "101"}, {"function": "VOLT:DC", "channel": "102"}},
		{{"function": "VOLT:DC"}, {"function": "RES"}, {"figure": "1"}},
		{{"function": "VOLT:DC"}},
		{{}},
	} {
		read, failed, wrong := 0, 0, 0
		for seed := range uint64(40) {
			synctest.Test(t, func(t *testing.T) {
				m := &stalling{random: rand.New(rand.NewPCG(seed, 1)), patience: time.Second}
				var askers []*asker
				for _, s := range settings {
					s["timeout"] = m.patience.String()
					a := newTestAsker(t, s).(*asker)
					if len(settings) > 1 {
						a.Shared()
					}
					askers = append(askers, a)
				}
				for range 200 {
					for _, a := range askers {
						r, err := a.Ask(m)
						switch {
						case err != nil:
							failed++
						case int(r.Value()) != m.figures || len(a.conf) > 0 && m.conf != a.conf[0]:
							wrong++
						default:
							read++
						}
					}
				}
			})
		}
		t.Logf("%v: %d read, %d failed, %d wrong", settings, read, failed, wrong)
		if wrong > 0 || read < failed/10 {
			t.Errorf("%v: %d answers to something else were taken as a reading, beside %d read and %d failed", settings, wrong, read, failed)
		}
	}
}

// TestMayAnswer: what each kind of question passes over.
func TestMayAnswer(t *testing.T) {
	const entry = `-113,"Undefined header"`
	lines := []string{"+4.1E-02", "1", "1.0,2.0", "38.2 mV", entry, identity, `"VOLT"`, "READY", ""}
	for k, want := range map[kind][]string{
		anything: lines,
		words:    {`"VOLT"`, "READY", ""},
		fault:    {entry, `"VOLT"`, "READY", ""},
		figures:  {"+4.1E-02", "1", "1.0,2.0", "38.2 mV", `"VOLT"`, "READY", ""},
	} {
		a := &asker{identity: identity}
		var got []string
		for _, line := range lines {
			if a.mayAnswer(line, "READ?", k) {
				got = append(got, line)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("kind %d takes %q, want %q", k, got, want)
		}
	}
	if a := (&asker{identity: identity}); !a.mayAnswer(identity, whoQuestion, words) {
		t.Error("*IDN? passes its own answer over")
	}
}

// A meter with two displays may send a line for each. A second one is thrown
// away, however late it comes: taken for the next answer it would make every
// figure older than the one before.
func TestSecondLineIsNoAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		m := &meter{piece: 1, answer: func(line string) string {
			if line == "READ?" {
				n++
				return fmt.Sprintf("%d.0\n-1.0\n", n)
			}
			return usual(line)
		}}
		a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"})
		for range 20 {
			if r, err := a.Ask(m); err != nil || r.Value() != float64(n) {
				t.Errorf("question %d: %v, %v", n, r, err)
			}
			time.Sleep(100 * time.Millisecond)
		}
	})
}
