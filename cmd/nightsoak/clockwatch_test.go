package main

import (
	"os"
	"strconv"
	"testing"
	"time"
)

// otherWall names a file that says by how much the wall clock of a daemon in a
// test is off and how long its machine slept, in seconds: that of this machine
// cannot be set for a test, and a time namespace has the real wall clock.
const otherWall = "NIGHTSOAK_TEST_WALL"

func init() {
	file := os.Getenv(otherWall)
	if file == "" {
		return
	}
	read := func(suffix string) time.Duration {
		text, err := os.ReadFile(file + suffix)
		if err != nil {
			return 0 // not yet written: nothing is off
		}
		s, err := strconv.ParseFloat(string(text), 64)
		if err != nil {
			panic(err)
		}
		return time.Duration(s * float64(time.Second))
	}
	hostTime.wall = func(now time.Time) time.Time { return now.Round(0).Add(read(".off")) }
	hostTime.slept = func() time.Duration { return read(".slept") }
}

// setOtherWall writes one of the two figures, whole.
func setOtherWall(t *testing.T, file, suffix string, seconds float64) {
	t.Helper()
	err := os.WriteFile(file+".new", strconv.AppendFloat(nil, seconds, 'f', -1, 64), 0o600)
	if err == nil {
		err = os.Rename(file+".new", file+suffix)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// What is a jump, what is sleep and what is neither.
func TestClockWatch(t *testing.T) {
	was := hostTime
	defer func() { hostTime = was }()
	begun := time.Now()
	for name, c := range map[string]struct {
		passed, wall, slept time.Duration // of one tick, by each clock
		jump, asleep        time.Duration
	}{
		"nothing":                             {100 * time.Millisecond, 100 * time.Millisecond, 0, 0, 0},
		"slewed at 500 ppm":                   {10 * time.Second, 10*time.Second + 5*time.Millisecond, 0, 0, 0},
		"a program that was paused":           {time.Hour, time.Hour, 0, 0, 0},
		"a leap second":                       {100 * time.Millisecond, -900 * time.Millisecond, 0, -time.Second, 0},
		"set forwards":                        {100 * time.Millisecond, 24 * time.Hour, 0, 24*time.Hour - 100*time.Millisecond, 0},
		"set backwards":                       {100 * time.Millisecond, -time.Hour, 0, -time.Hour - 100*time.Millisecond, 0},
		"no battery clock":                    {100 * time.Millisecond, 56 * 365 * 24 * time.Hour, 0, 56*365*24*time.Hour - 100*time.Millisecond, 0},
		"the machine slept":                   {100 * time.Millisecond, time.Hour + 100*time.Millisecond, time.Hour, 0, time.Hour},
		"it slept, and woke without the time": {100 * time.Millisecond, 100 * time.Millisecond, time.Hour, -time.Hour, time.Hour},
	} {
		var w clockWatch
		var wall, slept time.Duration
		hostTime.wall = func(time.Time) time.Time { return begun.Round(0).Add(wall) }
		hostTime.slept = func() time.Duration { return slept }
		if j, s := w.look(begun); j != 0 || s != 0 {
			t.Errorf("%s: at the first look %v, %v", name, j, s)
		}
		wall, slept = c.wall, c.slept
		if j, s := w.look(begun.Add(c.passed)); j != c.jump || s != c.asleep {
			t.Errorf("%s: jump %v, slept %v; want %v, %v", name, j, s, c.jump, c.asleep)
		}
		wall += 100 * time.Millisecond
		if j, s := w.look(begun.Add(c.passed + 100*time.Millisecond)); j != 0 || s != 0 {
			t.Errorf("%s: told again: %v, %v", name, j, s)
		}
	}
}
