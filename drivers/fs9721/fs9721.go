// Package fs9721 reads the serial output of the FS9721_LP3 multimeter chip: a
// copy of its display, sent at 2400 8N1 about three times a second.
//
// Each frame is 14 bytes in the layout of [lcd], bit 3 first; byte 14 is four
// symbols that the meter's maker chooses (FS9721_LP3 data sheet, layout from
// memory).
package fs9721

import (
	"nightsoak/drivers"
	"nightsoak/drivers/lcd"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "fs9721",
	Line:       "2400 8N1",
	Source:     "FS9721_LP3 data sheet, layout from memory",
	NewDecoder: lcd.Chip{Len: 14, Own: own}.NewDecoder,
}

const celsius = 1 << 6 // the maker's choice, and the usual one

func own(symbols uint8, q drivers.Quantity) (drivers.Quantity, drivers.Flags, bool) {
	if q == drivers.NoQuantity && symbols&celsius != 0 {
		q = drivers.Temperature
	}
	return q, 0, true
}
