package modbus

import (
	"fmt"
	"time"

	"nightsoak/drivers"
)

// Coil is one relay of a Modbus device.
type Coil struct {
	TCP     bool   // the MBAP header of a device with a LAN socket; else RTU
	Address byte   // of the device, 1 to 247; with TCP the unit identifier
	Coil    uint16 // by its address in the request, from 0
}

// WriteCoil switches a coil and reads it back: functions 5 and 1 of the MODBUS
// Application Protocol V1.1b3, 6.5 and 6.1. timeout, wall time, is for each of
// the two exchanges, and on a line for as long again for what comes late.
//
// The answer to function 5 is the request itself, which is also what a two-wire
// adaptor hears of its own sending, so that answer alone proves nothing. Only of
// a device that says it cannot read coils is it taken for done.
//
// An error that wraps a [drivers.Reply] is the device's, any other the port's.
func WriteCoil(c drivers.Conn, coil Coil, on bool, timeout time.Duration) error {
	q := question{tcp: coil.TCP, address: coil.Address, function: writeCoil, register: coil.Coil}
	if on {
		q.registers = 1
	}
	err := coil.exchange(c, q, timeout, func([]byte, byte) error { return nil })
	if err != nil {
		return err
	}
	q = question{tcp: coil.TCP, address: coil.Address, function: readCoils, register: coil.Coil, registers: 1}
	return coil.exchange(c, q, timeout, func(data []byte, code byte) error {
		if data != nil && (data[0]&1 != 0) != on {
			return bad(drivers.BadReply, "coil %d was written and still reads %d: does something else drive it?", coil.Coil, data[0]&1)
		}
		return nil
	})
}

// exchange puts one question and has the answer judged.
func (coil Coil) exchange(c drivers.Conn, q question, timeout time.Duration, judge func(data []byte, code byte) error) error {
	data, code, err := q.put(c, timeout, timeout)
	if err == nil && code != 0 && !(q.function == readCoils && code == 1) {
		e, known := exceptions[code]
		if !known {
			e.name = "exception of no standard"
		}
		err = bad(drivers.BadReply, "%s (%d) for coil %d: see the manual of the relay for its coils, which may count from 1", e.name, code, coil.Coil)
	}
	if err == nil {
		err = judge(data, code)
	}
	if err != nil {
		return fmt.Errorf("modbus: address %d: %w", coil.Address, err)
	}
	return nil
}
