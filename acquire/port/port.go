// Package port opens what a meter hangs on: a serial device by its path or by
// its adapter's USB identity, a TCP port of a serial server or of an
// instrument, a serial port across the network whose line it sets itself (RFC
// 2217), or a USB test instrument (USBTMC). It chooses the line settings, holds
// a lock of its own on a device, and says in one line what is wrong, where, and
// how to mend it.
package port

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"time"
)

// Conn is an open port. Read returns (0, nil) when the read timeout passed
// with nothing; Close unblocks a pending Read. Except for Close, a Conn is used
// by one goroutine.
type Conn interface {
	io.ReadWriteCloser
	// SetReadTimeout bounds each following Read, wall time. A negative
	// duration waits for ever, as a port just opened does; 0 takes what has
	// come already.
	SetReadTimeout(d time.Duration) error
}

// ModemLines is a Conn whose modem lines can be driven while it is open: that
// of a serial device or of an RFC 2217 server. Through a server, a call returns
// when the server has confirmed the level, and fails when it does not within
// 3 s; what the line says meanwhile is thrown away. A port that has no such
// lines fails with errors.ErrUnsupported.
type ModemLines interface {
	Conn
	SetDTR(up bool) error
	SetRTS(up bool) error
}

// What may be wrong with a port, for errors.Is. A missing device is
// fs.ErrNotExist, a forbidden one fs.ErrPermission, a port that this program
// closed itself fs.ErrClosed, a server that does not answer
// os.ErrDeadlineExceeded, a kind that this system has not errors.ErrUnsupported.
var (
	ErrSpec  = errors.New("port: not a port specification")
	ErrLine  = errors.New("port: not a line setting, or not one of this port")
	ErrInUse = errors.New("port: in use")
	ErrGone  = errors.New("port: gone while open")
)

// Error is what every function of this package fails with.
type Error struct {
	Spec string // the port as it was asked for
	Text string // what is wrong and how to mend it
	Err  error  // what errors.Is and errors.As find
}

func (e *Error) Error() string { return e.Spec + ": " + e.Text }
func (e *Error) Unwrap() error { return e.Err }

// fail makes an Error. The cause is for errors.Is; the text need not repeat it.
func fail(spec string, cause error, format string, a ...any) error {
	return &Error{Spec: spec, Text: fmt.Sprintf(format, a...), Err: cause}
}

const specForms = "write a device such as /dev/ttyUSB0, usb:VID:PID, usb:VID:PID:SERIAL, tcp://host:port, rfc2217://host:port or usbtmc:/dev/usbtmc0"

// Check says whether Open would understand spec, without opening anything. Its
// error wraps [ErrSpec].
func Check(spec string) error {
	kind, rest, _ := strings.Cut(spec, ":")
	switch {
	case spec == "":
		return fail(`""`, ErrSpec, "no port is given: %s", specForms)
	case strings.HasPrefix(spec, "/"), windowsName(spec):
		return nil
	case kind == "tcp", kind == "rfc2217":
		addr, ok := strings.CutPrefix(rest, "//")
		host, number, err := net.SplitHostPort(addr)
		if n, e := strconv.ParseUint(number, 10, 16); !ok || err != nil || host == "" || e != nil || n == 0 {
			return fail(spec, ErrSpec, "write %s://host:port with a port number from 1 to 65535", kind)
		}
		return nil
	case kind == "usb":
		_, err := parseUSB(spec)
		return err
	case kind == "usbtmc":
		if !strings.HasPrefix(rest, "/") {
			return fail(spec, ErrSpec, "write the device's whole path, such as usbtmc:/dev/usbtmc0")
		}
		return nil
	}
	return fail(spec, ErrSpec, "not a port: %s", specForms)
}

// HasLine says whether the port spec has line settings: neither a raw TCP port
// nor a USB instrument has.
func HasLine(spec string) bool {
	return !strings.HasPrefix(spec, "tcp://") && !strings.HasPrefix(spec, "usbtmc:")
}

// AtLine is a line setting in a sentence, " at 2400 8N1"; empty for a port that
// has none.
func AtLine(spec, line string) string {
	if !HasLine(spec) {
		return ""
	}
	return " at " + line
}

// windowsName says that s is a serial port where devices are not paths.
func windowsName(s string) bool {
	number, ok := strings.CutPrefix(s, "COM")
	_, err := strconv.ParseUint(number, 10, 8)
	return ok && err == nil
}

// Open opens the port spec: a serial device by its path (also a pty) or as
// usb:VID:PID[:SERIAL], tcp://host:port, rfc2217://host:port or usbtmc:PATH.
//
// line is as for [ParseLine]. What is read from a serial or RFC 2217 port has
// the bits above the line's data bits cleared: many an adaptor, and every pty,
// hands over the parity bit in the byte. tcp:// and usbtmc: have no use for a
// line, which may be empty there, and pass every byte as it came.
//
// ctx bounds the time it takes to connect and to be understood, not the life of
// the port. Errors are an [*Error].
func Open(ctx context.Context, spec, line string) (Conn, error) {
	if err := Check(spec); err != nil {
		return nil, err
	}
	if addr, ok := strings.CutPrefix(spec, "tcp://"); ok {
		c, err := dial(ctx, spec, addr)
		if err != nil {
			return nil, err
		}
		return c, nil
	}
	if path, ok := strings.CutPrefix(spec, "usbtmc:"); ok {
		return openUSBTMC(spec, path)
	}
	l, err := ParseLine(line)
	if err != nil {
		return nil, fail(spec, err, "%v", err)
	}
	var c Conn
	if addr, ok := strings.CutPrefix(spec, "rfc2217://"); ok {
		c, err = openRFC2217(ctx, spec, addr, l)
	} else {
		c, err = openSerial(spec, l)
	}
	if err != nil {
		return nil, err
	}
	if l.DataBits < 8 {
		c = narrow{c, 1<<l.DataBits - 1}
	}
	return c, nil
}

// narrow clears the bits of what is read that are not in mask.
type narrow struct {
	Conn
	mask byte
}

func (c narrow) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	for i := range p[:n] {
		p[i] &= c.mask
	}
	return n, err
}
