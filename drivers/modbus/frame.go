package modbus

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"nightsoak/drivers"
)

const (
	// silence before a question on a line: 3.5 characters of 11 bits take 32 ms
	// at 1200 bit/s, less at the higher speeds, which the driver is not told;
	// and USB adaptors hold characters back for 16 ms.
	silence = 35 * time.Millisecond
	longest = 512  // bytes looked through for an answer; a frame has 260 at most
	refused = 0x80 // in the function of an answer that is an exception
)

// question is a request to read registers, or one coil, or to write one coil.
type question struct {
	tcp               bool // MBAP, else RTU
	address, function byte
	register          uint16 // or coil
	registers         byte   // of a coil that is read 1; of one that is written 1 for on, 0 for off
}

// asked is what stands behind the register in the request.
func (q question) asked() uint16 {
	if q.function == writeCoil {
		return 0xFF00 * uint16(q.registers)
	}
	return uint16(q.registers)
}

// bytes is how many bytes of data the answer has.
func (q question) bytes() int {
	switch q.function {
	case readCoils:
		return 1
	case writeCoil:
		return 0
	}
	return 2 * int(q.registers)
}

// exchange is a question as sent, and what begins each answer to it.
type exchange struct {
	question
	sent      []byte
	answer    []byte // the data follow
	exception []byte // one byte follows
}

// transactions numbers the questions with MBAP over all meters, so that no two
// of those that share a connection have the same number soon.
var transactions atomic.Uint32

func (q question) exchange() *exchange {
	id := uint16(transactions.Add(1))
	// begin is a frame with n bytes behind the function, up to there.
	begin := func(function byte, n byte) []byte {
		if !q.tcp {
			return []byte{q.address, function}
		}
		return []byte{byte(id >> 8), byte(id), 0, 0, 0, n + 2, q.address, function}
	}
	x := &exchange{
		question:  q,
		sent:      append(begin(q.function, 4), byte(q.register>>8), byte(q.register), byte(q.asked()>>8), byte(q.asked())),
		answer:    append(begin(q.function, 1+byte(q.bytes())), byte(q.bytes())),
		exception: begin(q.function|refused, 1),
	}
	if q.function == writeCoil {
		x.answer = x.sent // V1.1b3, 6.5: the answer is an echo of the request
	}
	if !q.tcp {
		x.sent = binary.LittleEndian.AppendUint16(slices.Clip(x.sent), crc(x.sent))
	}
	return x
}

// find looks for the answer in what was received, wherever it begins: its data,
// or the code of an exception, or neither. The question itself, which some
// two-wire adaptors hear, is passed over, and so is all that answers another.
func (x *exchange) find(got []byte) (data []byte, code byte) {
	if x.function != writeCoil { // whose answer is no other
		got = x.withoutEcho(got)
	}
	for i := range got {
		if data := x.cut(got[i:], x.answer, x.bytes()); data != nil {
			return data, 0
		}
		if e := x.cut(got[i:], x.exception, 1); e != nil && e[0] != 0 {
			return nil, e[0]
		}
	}
	return nil, 0
}

// cut is the n bytes behind head, if b begins with it and they are sound.
func (x *exchange) cut(b, head []byte, n int) []byte {
	end := len(head) + n
	if !bytes.HasPrefix(b, head) || len(b) < x.size(end) || !x.tcp && crc(b[:x.size(end)]) != 0 {
		return nil
	}
	return b[len(head):end]
}

// size is that of a frame of n bytes and its check.
func (q question) size(n int) int {
	if q.tcp {
		return n // TCP has checked it
	}
	return n + 2
}

// withoutEcho is what came behind the question itself, if that came back.
func (x *exchange) withoutEcho(got []byte) []byte {
	if i := bytes.Index(got, x.sent); i >= 0 {
		return got[i+len(x.sent):]
	}
	if bytes.HasPrefix(x.sent, got) {
		return nil // so far; with its next byte it might look like an answer
	}
	return got
}

// put asks, and waits up to the timeout for the data of the answer or the code
// of an exception. Without either, the error is a Reply, and on a line what
// comes within the time late is thrown away first.
func (q question) put(c drivers.Conn, timeout, late time.Duration) (data []byte, code byte, err error) {
	if err := q.drain(c); err != nil {
		return nil, 0, err
	}
	x := q.exchange()
	if _, err := c.Write(x.sent); err != nil {
		return nil, 0, fmt.Errorf("send % X: %w", x.sent, err)
	}
	got, err := collect(c, timeout, func(got []byte) bool {
		data, code = x.find(got)
		return data != nil || code != 0
	})
	if err != nil || data != nil || code != 0 {
		return data, code, err
	}
	if !q.tcp {
		if _, err := collect(c, late, func([]byte) bool { return false }); err != nil {
			return nil, 0, err
		}
	}
	return nil, 0, x.wrong(got, timeout)
}

// collect reads for the time given, or until enough says so of what has come,
// of which it keeps the latest.
func collect(c drivers.Conn, within time.Duration, enough func([]byte) bool) ([]byte, error) {
	got := make([]byte, 0, longest)
	for end := time.Now().Add(within); ; {
		left := time.Until(end)
		if left <= 0 {
			return got, nil
		}
		if err := c.SetReadTimeout(left); err != nil {
			return nil, fmt.Errorf("set the read timeout: %w", err)
		}
		if len(got) == longest {
			got = append(got[:0], got[longest/2:]...)
		}
		n, err := c.Read(got[len(got):longest])
		if err != nil {
			return nil, fmt.Errorf("read the answer: %w", err)
		}
		if got = got[:len(got)+n]; n > 0 && enough(got) {
			return got, nil
		}
	}
}

// drain throws away what is still on its way, until the line has been silent
// for as long as it must be before a question. MBAP has no such silence.
func (q question) drain(c drivers.Conn) error {
	pause := silence
	if q.tcp {
		pause = 0
	}
	talk, err := drivers.Drain(c, pause)
	if talk != nil {
		err = bad(drivers.BadReply, "somebody talks without being asked, last % X: a Modbus line has one that asks, and only one", talk[max(0, len(talk)-16):])
	}
	return err
}

// wrong says what is wrong with what came instead of an answer.
func (x *exchange) wrong(got []byte, timeout time.Duration) error {
	heard := x.withoutEcho(got)
	other := x.whole(heard)
	want := x.size(len(x.answer) + x.bytes())
	switch {
	case len(heard) == 0:
		echo := ""
		if len(got) > 0 {
			echo = ", though the question itself came back"
		}
		mend := `check that the meter is on, its address, the line settings, and whether A and B are swapped; one with a LAN socket of its own needs framing = "tcp"`
		if x.tcp {
			mend = "check that the meter is on, and its address; behind a serial server leave framing out"
		}
		return bad(drivers.NoReply, "no answer within %v%s: %s", timeout, echo, mend)
	case other != nil && bytes.Equal(other[:3], x.answer[len(x.answer)-3:]): // only MBAP tells them apart
		return bad(drivers.NoReply, "within %v only an answer to an earlier question came: write a greater timeout", timeout)
	case other != nil && other[0] == x.address && other[1] == x.function:
		return bad(drivers.BadReply, "the answer % X has %d bytes of data, asked were %d: check type, or whether two meters have this address",
			other, len(other)-3, x.bytes())
	case other != nil:
		return bad(drivers.BadReply, "the answer % X is that of address %d, function %d, asked was function %d: check whether two meters have this address, or another program asks on this line",
			other, other[0], other[1], x.function)
	case bytes.HasPrefix(x.answer, heard) || bytes.HasPrefix(heard, x.answer) && len(heard) < want:
		return bad(drivers.Short, "the answer % X ends after %d of %d bytes: check cable, termination and the line settings", heard, len(heard), want)
	}
	return bad(drivers.BadReply, "% X is no answer with a right checksum: check the line settings and termination, and whether A and B are swapped", heard[:min(len(heard), 32)])
}

// whole is the first frame in b that is complete and sound, to whatever question:
// address, function and what follows, without check.
func (q question) whole(b []byte) []byte {
	for ; len(b) >= 5; b = b[1:] {
		if q.tcp {
			if len(b) >= 9 && b[2]|b[3]|b[4] == 0 && b[5] >= 3 && len(b) >= 6+int(b[5]) {
				return b[6 : 6+int(b[5])]
			}
			continue
		}
		for _, n := range []int{3, 3 + int(b[2])} { // an exception, or data
			if len(b) >= n+2 && crc(b[:n+2]) == 0 {
				return b[:n]
			}
		}
	}
	return nil
}

func bad(why drivers.Reason, format string, args ...any) error {
	return &drivers.Reply{Reason: why, Err: fmt.Errorf(format, args...)}
}

func isReply(err error) bool {
	_, is := errors.AsType[*drivers.Reply](err)
	return is
}

// crc is the CRC-16 of the serial line guide: polynomial 0xA001 reflected,
// begun with 0xFFFF. Over a frame and its check, low byte first, it is zero.
func crc(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, v := range b {
		c = c>>8 ^ crcTable[byte(c)^v]
	}
	return c
}

var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			c = c>>1 ^ 0xA001*(c&1)
		}
		t[i] = c
	}
	return t
}()
