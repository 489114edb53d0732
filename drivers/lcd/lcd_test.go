package lcd_test

import (
	"bytes"
	"fmt"
	"testing"

	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
	"nightsoak/drivers/dtm0660"
	"nightsoak/drivers/fs9721"
)

// chips have a frame each of 038.2 mV DC Auto.
var chips = []struct {
	drivers.Format
	good string
}{
	{fs9721.Format, "0111  0111 1101  0001 1111  0111 1111  1101 1011  0000 1000 0000 0100 0000"},
	{dtm0660.Format, "1110  1110 1011  1000 1111  1110 1111  1011 1101  0000 0001 0000 0010 0000 0000"},
}

func TestFraming(t *testing.T) {
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	for _, chip := range chips {
		good := drivertest.Nibbles(chip.good)
		last := len(good) - 1
		streams := []drivertest.Stream{
			{"nothing", nil, 0, drivers.Rejects{}},
			{"cut off before the last byte", join(good[:last], good), 1, drivertest.Rejects(drivers.Short, 1)},
			{"cut off after 1 byte", join(good[:1], good), 1, drivertest.Rejects(drivers.Short, 1)},
			{"cut off at the end of the input", join(good, good[:7]), 1, drivers.Rejects{}},
			{"joined in mid-frame", join(good[5:], good), 1, drivertest.Rejects(drivers.Noise, 1)},
			{"a byte lost", join(good[:6], good[7:], good), 1, drivertest.Rejects(drivers.Short, 1)},
			{"a byte twice", join(good[:6], good[5:], good), 1, drivertest.Rejects(drivers.Short, 1)},
			{"a byte turned into position 0", join(good[:6], []byte{0x05}, good[7:], good), 1, drivertest.Rejects(drivers.Short, 1)},
			{"a byte turned into position 15", join(good[:6], []byte{0xF5}, good[7:], good), 1, drivertest.Rejects(drivers.Short, 1)},
			{"a byte turned into position 1", join(good[:6], []byte{0x15}, good[7:], good), 1, drivertest.Rejects(drivers.Short, 2)},
			{"frames of a byte less", join(good[:last], good[:last], good), 1, drivertest.Rejects(drivers.Short, 2)},
			{"text between frames", join(good, []byte("38.2 mV\r\n"), good), 2, drivertest.Rejects(drivers.Noise, 1)},
			{"bytes of another speed", []byte{0x00, 0xFF, 0xE0, 0x00, 0xF8}, 0, drivertest.Rejects(drivers.Noise, 1)},
		}
		// Whatever byte listening begins with, the next whole frame is read.
		for offset := 1; offset <= last; offset++ {
			streams = append(streams, drivertest.Stream{fmt.Sprint("from byte ", offset),
				join(good[offset:], good, good), 2, drivertest.Rejects(drivers.Noise, 1)})
		}
		table := drivertest.Table{Format: chip.Format, Bytes: drivertest.Nibbles}
		table.Streams(t, "38.2 mV dc auto", streams)
	}
}
