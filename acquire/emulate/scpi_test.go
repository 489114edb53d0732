package emulate

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
	driverscpi "nightsoak/drivers/scpi"
)

// lead joins a voltmeter to the driver that asks it. A reading takes as long as
// a real one's conversions.
type lead struct {
	*voltmeter
	pending []byte
	ready   time.Time
	timeout time.Duration
}

func (l *lead) SetReadTimeout(d time.Duration) error { l.timeout = d; return nil }

func (l *lead) Write(p []byte) (int, error) {
	l.ready = time.Now().Add(time.Millisecond)
	for _, question := range []string{"READ?", "FETC?", "MEAS:"} {
		if strings.Contains(string(p), question) {
			conversions := 1.0
			if l.full == 0 {
				conversions = float64(len(voltRanges))
			}
			// With autozero, at 50 Hz.
			l.ready = l.ready.Add(time.Duration(conversions * l.nplc * 2 * float64(20*time.Millisecond)))
		}
	}
	l.pending = append(l.pending, l.feed(p)...)
	return len(p), nil
}

func (l *lead) Read(p []byte) (int, error) {
	if wait := time.Until(l.ready); len(l.pending) > 0 && wait <= l.timeout {
		time.Sleep(wait)
		n := copy(p, l.pending)
		l.pending = l.pending[n:]
		return n, nil
	}
	time.Sleep(l.timeout)
	return 0, nil
}

// asked is a driver and what it asks.
type asked struct {
	*lead
	drivers.Asker
}

func newAsked(t *testing.T, l *lead, s drivers.Settings) asked {
	t.Helper()
	a, err := driverscpi.Format.NewAsker(s)
	if err != nil {
		t.Fatal(err)
	}
	return asked{l, a}
}

func newVoltmeter(volts float64) *voltmeter {
	return &voltmeter{volts: func() float64 { return volts }, noise: rand.New(rand.NewPCG(1, 2))}
}

// reads wants one reading within two counts of volts, with that unit and that count.
func (a asked) reads(t *testing.T, volts, count float64, flags string) {
	t.Helper()
	r, err := a.Ask(a.lead)
	if err != nil || r.Quantity != drivers.Voltage || r.Flags.String() != flags || r.Resolution() != count ||
		max(r.Value()-volts, volts-r.Value()) > 2*count {
		t.Errorf("%g V reads %v, %v; want flags %q and a count of %g V", volts, r, err, flags, count)
	}
}

// fails wants an error of that reason with that text.
func (a asked) fails(t *testing.T, why drivers.Reason, text string) {
	t.Helper()
	r, err := a.Ask(a.lead)
	reply, ok := errors.AsType[*drivers.Reply](err)
	if !ok || reply.Reason != why || !strings.Contains(err.Error(), text) {
		t.Errorf("reading %v, error %v; want reason %v and %q", r, err, why, text)
	}
}

// Every way to ask reads the same volts.
func TestVoltmeterThroughTheDriver(t *testing.T) {
	for _, c := range []struct {
		settings drivers.Settings
		count    float64
		flags    string
	}{
		{drivers.Settings{}, 0.01, "dc"},
		{drivers.Settings{"function": "VOLT:DC"}, 0.01, "dc auto"},
		{drivers.Settings{"function": "VOLTAGE", "range": "462"}, 0.01, "dc"},
		{drivers.Settings{"function": "VOLT:DC", "range": "MAX", "ask": "INIT;:FETC?", "remote": "yes"}, 0.01, "dc"},
		{drivers.Settings{"ask": "MEAS:VOLT:DC? 1000"}, 0.01, "dc"},
		{drivers.Settings{"ask": "MEASURE:VOLTAGE:DC?", "range": "AUTO"}, 0.01, "dc auto"},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "0.02"}, 0.01, "dc auto"},
	} {
		t.Run(fmt.Sprint(c.settings), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := newAsked(t, &lead{voltmeter: newVoltmeter(461.73)}, c.settings)
				for range 50 {
					a.reads(t, 461.73, c.count, c.flags)
					time.Sleep(time.Second)
				}
				remote := c.settings["remote"] == "yes"
				if a.remote != remote {
					t.Errorf("front panel locked: %v", a.remote)
				}
				if err := a.Asker.(drivers.Leaver).Leave(a.lead); err != nil || a.remote {
					t.Errorf("left with the front panel locked: %v, %v", a.remote, err)
				}
				if len(a.errors) > 0 {
					t.Errorf("the driver caused %q", a.errors)
				}
			})
		})
	}
}

func TestVoltmeterFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// Beyond the range it is overload; beyond the largest range it is refused.
		a := newAsked(t, &lead{voltmeter: newVoltmeter(-461.73)}, drivers.Settings{"function": "VOLT:DC", "range": "100"})
		if r, err := a.Ask(a.lead); err != nil || r.Text() != "OL" {
			t.Errorf("reading %v, %v, want OL", r, err)
		}
		newAsked(t, a.lead, drivers.Settings{"function": "VOLT:DC", "range": "2000"}).
			fails(t, drivers.BadReply, `CONF:VOLT:DC 2000 was refused: -222,"Data out of range"; check function, range`)
		newAsked(t, a.lead, drivers.Settings{"function": "RES", "nplc": "1000"}).
			fails(t, drivers.BadReply, `CONF:RES or SENS:RES:NPLC 1000 was refused: -113,"Undefined header" 2 times; check`)
		newAsked(t, a.lead, drivers.Settings{"ask": "MEAS:RES?"}).
			fails(t, drivers.NoReply, `-113,"Undefined header"`)
		newAsked(t, a.lead, drivers.Settings{"function": "VOLT:DC", "channel": "101"}).
			fails(t, drivers.BadReply, `-108,"Parameter not allowed"`)

		// It has no reading, and is not triggered.
		a = newAsked(t, a.lead, drivers.Settings{"function": "VOLT:DC", "ask": "FETC?"})
		a.fails(t, drivers.NoReply, `-230,"Data corrupt or stale"`)
	})
}

// Turned by hand, switched off and on, or at odds with somebody: found out
// within 10 s, and mended.
func TestVoltmeterChecked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newAsked(t, &lead{voltmeter: newVoltmeter(461.73)}, drivers.Settings{"function": "VOLT:DC", "range": "1000"})
		a.reads(t, 461.73, 0.01, "dc")
		a.ac = true
		time.Sleep(10 * time.Second)
		a.fails(t, drivers.BadReply, "the meter measures VOLT:AC, but was set to VOLT:DC: somebody turned its knob")
		a.reads(t, 461.73, 0.01, "dc")

		for range maxErrors + 3 {
			a.feed([]byte("what\n"))
		}
		time.Sleep(10 * time.Second)
		a.fails(t, drivers.BadReply, `the meter reports -113,"Undefined header" 9 times; -350,"Queue overflow"; it is set up anew`)
		a.reads(t, 461.73, 0.01, "dc")

		ac := newAsked(t, a.lead, drivers.Settings{"function": "VOLT:AC"})
		ac.reads(t, 0, 1e-6, "ac auto")
		a.feed([]byte("*RST\n"))
		time.Sleep(10 * time.Second)
		ac.fails(t, drivers.BadReply, "the meter measures VOLT:DC, but was set to VOLT:AC")
		ac.reads(t, 0, 1e-6, "ac auto")
	})
}

// Two channels of a scanner, and one that it has not.
func TestScannerThroughTheDriver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := newVoltmeter(0)
		v.channels = map[int]func() float64{
			101: func() float64 { return 0.041 },
			102: func() float64 { return 461.73 },
		}
		l := &lead{voltmeter: v}
		k1 := newAsked(t, l, drivers.Settings{"function": "VOLT:DC", "range": "0.1", "channel": "101"})
		ht := newAsked(t, l, drivers.Settings{"ask": "MEAS:VOLT:DC?", "range": "1000", "channel": "102"})
		none := newAsked(t, l, drivers.Settings{"function": "VOLT:DC", "channel": "103"})
		for range 20 {
			k1.reads(t, 0.041, 1e-6, "dc")
			ht.reads(t, 461.73, 0.01, "dc")
			none.fails(t, drivers.BadReply, `CONF:VOLT:DC (@103) was refused: -224,"Illegal parameter value"`)
		}
	})
}

// A meter that converts for 20 s is waited for where nplc says so.
func TestSlowVoltmeter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &lead{voltmeter: newVoltmeter(0.041)}
		a := newAsked(t, l, drivers.Settings{"function": "VOLT:DC", "nplc": "100"})
		start := time.Now()
		a.reads(t, 0.041, 1e-6, "dc auto")
		if took := time.Since(start); took < 20*time.Second || took > 21*time.Second {
			t.Errorf("took %v", took)
		}
		a = newAsked(t, l, drivers.Settings{"function": "VOLT:DC", "nplc": "100", "timeout": "15s"})
		a.fails(t, drivers.NoReply, "no line in answer to READ? within 15s, but 0 bytes")
	})
}
