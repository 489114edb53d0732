// Package dtm0660 reads the serial output of the DTM0660L multimeter chip: a
// copy of its display of 6000 counts, sent at 2400 8N1 about three times a
// second.
//
// Each frame is 15 bytes in the layout of [lcd], bit 0 first, and so are the
// chip's own symbols (DTM0660L data sheet, layout from memory):
//
//	14  °F  °C  hFE  unused
//	15  automatic power-off  MIN  the dash of MAX-MIN  MAX
//
// The order of the bits in a nibble proves itself: read the other way round, no
// digit but by chance is one, and the frame is rejected. The places of hFE and
// of what stands in byte 15 are the least sure; the unused symbol makes a frame
// that is rejected.
package dtm0660

import (
	"nightsoak/drivers"
	"nightsoak/drivers/lcd"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "dtm0660",
	Line:       "2400 8N1",
	Source:     "DTM0660L data sheet, layout from memory; places of hFE, MAX, MIN and APO not sure",
	NewDecoder: lcd.Chip{Len: 15, Upward: true, Own: own}.NewDecoder,
}

// Symbols of bytes 14 and 15.
const (
	fahrenheit = 1 << 7
	celsius    = 1 << 6
	gain       = 1 << 5
	unused     = 1 << 4
	powerOff   = 1 << 3
	minimum    = 1 << 2
	dash       = 1 << 1
	maximum    = 1 << 0
)

func own(symbols uint8, q drivers.Quantity) (_ drivers.Quantity, flags drivers.Flags, ok bool) {
	if symbols&powerOff != 0 {
		flags |= drivers.AutoPowerOff
	}
	if symbols&(maximum|dash|minimum) != 0 {
		flags |= drivers.MinMax
	}
	none := q == drivers.NoQuantity // a second unit contradicts the first
	switch symbols & (fahrenheit | celsius | gain | unused) {
	case 0:
		return q, flags, true
	case fahrenheit:
		return drivers.Fahrenheit, flags, none
	case celsius:
		return drivers.Temperature, flags, none
	case gain:
		return drivers.Gain, flags, none
	default:
		return q, flags, false
	}
}
