package emulate

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
)

// A converter is an isolated DC voltage converter with Modbus registers (MODBUS
// Application Protocol V1.1b3), at a line's end or on a LAN socket. Both tables
// show the same:
//
//	0-1   float32, ABCD: mV, in steps of 0.01 mV; infinite when over range
//	2     int16: counts of 0.1 mV; 0x7FFF when over range
//	3-4   int32, CDAB: counts of 0.01 mV; 0x7FFFFFFF when over range
type converter struct {
	address byte
	mbap    bool // framing of Modbus TCP, else RTU
	volts   func() float64
	noise   *rand.Rand
	got     []byte // of a question that is not yet whole
}

const (
	converterCount = 1e-5 // volt
	converterFull  = 3.2  // volt; over range from here
)

// feed takes bytes and returns the answers that they ask for. It does not need
// the pauses between questions: what is no whole question is passed over byte
// by byte.
func (m *converter) feed(p []byte) (answers []byte) {
	m.got = append(m.got, p...)
	for len(m.got) >= 8 {
		b := m.got
		switch {
		case m.mbap && b[2]|b[3]|b[4] == 0 && b[5] >= 2:
			size := 6 + int(b[5])
			if len(b) < size {
				return answers
			}
			if a := m.answer(b[6:size]); a != nil {
				answers = append(answers, b[0], b[1], 0, 0, 0, byte(len(a)))
				answers = append(answers, a...)
			}
			m.got = b[size:]
		case !m.mbap && modbusCheck(b[:6]) == binary.LittleEndian.Uint16(b[6:]):
			if a := m.answer(b[:6]); a != nil {
				answers = append(answers, a...)
				answers = binary.LittleEndian.AppendUint16(answers, modbusCheck(a))
			}
			m.got = b[8:]
		default:
			m.got = b[1:]
		}
	}
	return answers
}

// answer is what a question of address, function, first register and number of
// registers gets, nil if it is another's.
func (m *converter) answer(q []byte) []byte {
	const (
		illegalFunction = 1
		illegalAddress  = 2
		illegalValue    = 3
	)
	if q[0] != m.address {
		return nil
	}
	refuse := func(code byte) []byte { return []byte{q[0], q[1] | 0x80, code} }
	if q[1] != 3 && q[1] != 4 {
		return refuse(illegalFunction)
	}
	if len(q) != 6 {
		return refuse(illegalValue)
	}
	first, count := int(binary.BigEndian.Uint16(q[2:])), int(binary.BigEndian.Uint16(q[4:]))
	registers := m.registers()
	switch {
	case count < 1 || count > 125:
		return refuse(illegalValue)
	case first+count > len(registers)/2:
		return refuse(illegalAddress)
	}
	return append([]byte{q[0], q[1], byte(2 * count)}, registers[2*first:2*(first+count)]...)
}

// registers measures, a count up or down one time in four.
func (m *converter) registers() (b []byte) {
	v := m.volts()
	counts := math.Round(v/converterCount + m.noise.Float64() + m.noise.Float64() - 1)
	shown, tenths, fine := float32(counts/100), int16(math.MaxInt16), uint32(math.MaxInt32)
	if math.Abs(v) < converterFull {
		tenths, fine = int16(math.Round(counts/10)), uint32(int32(counts))
	} else {
		shown = float32(math.Inf(int(v)))
	}
	b = binary.BigEndian.AppendUint32(b, math.Float32bits(shown))
	b = binary.BigEndian.AppendUint16(b, uint16(tenths))
	return binary.BigEndian.AppendUint32(b, fine<<16|fine>>16)
}

// modbusCheck is the CRC-16 of Modbus, bit by bit: polynomial 0xA001, begun
// with 0xFFFF.
func modbusCheck(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, v := range b {
		c ^= uint16(v)
		for range 8 {
			odd := c&1 != 0
			if c >>= 1; odd {
				c ^= 0xA001
			}
		}
	}
	return c
}
