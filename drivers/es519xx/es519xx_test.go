package es519xx_test

import (
	"strings"
	"testing"

	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
	"nightsoak/drivers/es51922"
	"nightsoak/drivers/es51986"
)

func TestFraming(t *testing.T) {
	const (
		noise = drivers.Noise
		short = drivers.Short
	)
	rejects := drivertest.Rejects
	for _, chip := range []struct {
		drivers.Format
		good drivertest.Good
	}{
		{es51922.Format, drivertest.Good{"38.20 mV dc auto", "403820;000:0\r\n"}},
		{es51986.Format, drivertest.Good{"38.2 mV dc auto", "40382;00:\r\n"}},
	} {
		good := chip.good.Frame
		end := len(good) - 2 // where the line end begins
		short3 := good[3:]   // a line that is broken
		streams := []struct {
			name, in string
			good     int
			rejects  drivers.Rejects
		}{
			{"nothing", "", 0, drivers.Rejects{}},
			{"empty lines", "\r\n\r\n\n\r", 0, drivers.Rejects{}},
			{"cut off at the end of the input", good + good[:9], 1, drivers.Rejects{}},
			{"joined in mid-frame", good[5:] + good, 1, rejects(short, 1)},
			{"joined in the line end", good[end+1:] + good, 1, drivers.Rejects{}},
			{"a character lost", good[:3] + good[4:] + good, 1, rejects(short, 1)},
			{"CR lost", good[:end] + "\n" + good, 1, rejects(short, 1)},
			{"LF lost", good[:end+1] + good, 1, rejects(short, 1)},
			{"CR twice", good[:end+1] + "\r\n" + good, 1, rejects(short, 1)},
			{"LF twice", good + "\n" + good, 2, drivers.Rejects{}},
			{"a character turned into LF", good[:4] + "\n" + good[5:] + good, 1, rejects(short, 2)},
			{"noise before a frame", "\x00\x7fxyz" + good + good, 2, rejects(noise, 1)},
			{"noise in a frame", good[:4] + "x" + good[5:] + good, 1, rejects(noise, 1)},
			{"noise in the line end", good[:end+1] + "x\n" + good, 1, rejects(noise, 1)},
			{"a long run without line end", strings.Repeat("0", 1000), 0, rejects(noise, 1)},
			{"no CR before LF", good[:end] + "0\n", 0, rejects(noise, 1)},
			{"lines of other text", "38.2 mVDC\r\n+38.20 mV DC\r\n", 0, rejects(noise, 2)},

			// Hanging on to what came before: see whole.
			{"the line end lost", good[:end] + good + good, 1, rejects(noise, 1)},
			{"the line end lost after a broken line", short3 + good[:end] + good + good, 2, drivers.Rejects{noise: 1, short: 1}},
			{"a stray character", "0" + good + good, 1, rejects(noise, 1)},
			{"a stray character after a broken line", short3 + "0" + good + good, 2, drivers.Rejects{noise: 1, short: 1}},
			{"the first character twice", good[:1] + good + good, 2, rejects(noise, 1)},
			{"another character twice", good[:4] + good[3:] + good, 1, rejects(noise, 1)}, // or it would read 38.82 V
			{"only too long", short3 + strings.Repeat("000"+good, 3), 1, drivers.Rejects{noise: 3, short: 1}},
		}
		table := drivertest.Table{Format: chip.Format, Bytes: drivertest.Line}
		for _, tt := range streams {
			table.Streams(t, chip.good.Want, []drivertest.Stream{{tt.name, []byte(tt.in), tt.good, tt.rejects}})
		}
		// Whatever byte listening begins with, the next whole frame is read.
		for offset := 1; offset < end; offset++ {
			table.Streams(t, chip.good.Want, []drivertest.Stream{{"in mid-frame", []byte(good[offset:] + good + good), 2, rejects(short, 1)}})
		}
	}
}
