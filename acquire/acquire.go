// Package acquire turns meters on ports into one stream of readings. Its
// sub-packages say what the readings mean.
package acquire

import "nightsoak/drivers"

// Sink takes what the meters deliver. Its methods are called from one
// goroutine per port and must return quickly: they never wait for an outlet.
// meter is the index into the bench's meters.
type Sink interface {
	// Reading takes a reading, already multiplied by the meter's scale.
	Reading(meter int, r drivers.Reading)
	// Port says that a meter's port was opened (err nil) or lost or refused
	// (err says what, where and how to mend it). It is called on changes only.
	Port(meter int, err error)
	// Rejected adds n rejected frames for a reason.
	Rejected(meter int, why drivers.Reason, n uint64)
}
