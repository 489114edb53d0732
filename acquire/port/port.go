// Package port opens what a meter hangs on: a serial device, a USB adapter by
// its identity, or a TCP port of a serial server. It chooses the line
// settings, holds a lock of its own on the device, and says in one line what
// is wrong, where, and how to mend it.
package port

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
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

// What may be wrong with a port, for errors.Is. A missing device is
// fs.ErrNotExist, a forbidden one fs.ErrPermission, a port that this program
// closed itself fs.ErrClosed.
var (
	ErrSpec   = errors.New("port: not a port specification")
	ErrLine   = errors.New("port: not a line setting")
	ErrNotYet = errors.New("port: kind of port not in this version")
	ErrInUse  = errors.New("port: in use")
	ErrGone   = errors.New("port: gone while open")
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

const specForms = "write a device such as /dev/ttyUSB0, usb:VID:PID, usb:VID:PID:SERIAL or tcp://host:port"

// Check says whether Open would understand spec, without opening anything.
func Check(spec string) error {
	scheme, rest, isURL := strings.Cut(spec, "://")
	switch {
	case spec == "":
		return fail(`""`, ErrSpec, "no port is given: %s", specForms)
	case isURL && scheme == "tcp":
		host, number, err := net.SplitHostPort(rest)
		if n, e := strconv.ParseUint(number, 10, 16); err != nil || host == "" || e != nil || n == 0 {
			return fail(spec, ErrSpec, "write tcp://host:port with a port number from 1 to 65535")
		}
	case isURL && scheme == "rfc2217", strings.HasPrefix(spec, "usbtmc:"):
		return fail(spec, ErrNotYet, "this kind of port is not in this version: %s", specForms)
	case isURL:
		return fail(spec, ErrSpec, "%q is not a kind of port: %s", scheme, specForms)
	case strings.HasPrefix(spec, "usb:"):
		_, err := parseUSB(spec)
		return err
	}
	return nil
}

// Open opens the port spec: a serial device (also a pty), usb:VID:PID[:SERIAL],
// or tcp://host:port. line is as for [ParseLine]; a TCP port has no use for one
// and it may be empty there. ctx bounds the time it takes to connect, not the
// life of the port. Errors are an [*Error].
func Open(ctx context.Context, spec, line string) (Conn, error) {
	if err := Check(spec); err != nil {
		return nil, err
	}
	if addr, ok := strings.CutPrefix(spec, "tcp://"); ok {
		return dial(ctx, spec, addr)
	}
	l, err := ParseLine(line)
	if err != nil {
		return nil, fail(spec, err, "%v", err)
	}
	path := spec
	if strings.HasPrefix(spec, "usb:") {
		found, err := list()
		if err != nil {
			return nil, fail(spec, err, "cannot list the adapters: %v", err)
		}
		if path, err = resolveUSB(spec, found); err != nil {
			return nil, err
		}
	}
	return openSerial(spec, path, l)
}

const (
	dialTimeout  = 5 * time.Second
	writeTimeout = 5 * time.Second
)

// keepAlive notices within 11 s that the other end lost power or cable, which
// a meter that only talks would otherwise hide for ever.
var keepAlive = net.KeepAliveConfig{Enable: true, Idle: 5 * time.Second, Interval: 2 * time.Second, Count: 3}

type tcpConn struct {
	net.Conn
	spec    string
	timeout time.Duration
}

func dial(ctx context.Context, spec, addr string) (Conn, error) {
	d := net.Dialer{Timeout: dialTimeout, KeepAliveConfig: keepAlive}
	c, err := d.DialContext(ctx, "tcp", addr)
	if err != nil {
		cause := err
		if op, ok := errors.AsType[*net.OpError](err); ok {
			cause = op.Err
		}
		return nil, fail(spec, err, "cannot connect: %v: is the serial server on, and is this its address?", cause)
	}
	return &tcpConn{Conn: c, spec: spec, timeout: -1}, nil
}

func (c *tcpConn) SetReadTimeout(d time.Duration) error {
	c.timeout = d
	return nil
}

func (c *tcpConn) Read(p []byte) (int, error) {
	var until time.Time
	if c.timeout >= 0 {
		// A deadline already past would not even take bytes that have come.
		until = time.Now().Add(max(c.timeout, time.Millisecond))
	}
	err := c.Conn.SetReadDeadline(until)
	if err != nil {
		return 0, c.wrap(err)
	}
	n, err := c.Conn.Read(p)
	if t, ok := errors.AsType[net.Error](err); ok && t.Timeout() && c.timeout >= 0 {
		return n, nil
	}
	return n, c.wrap(err)
}

func (c *tcpConn) Write(p []byte) (int, error) {
	err := c.Conn.SetWriteDeadline(time.Now().Add(writeTimeout))
	if err != nil {
		return 0, c.wrap(err)
	}
	n, err := c.Conn.Write(p)
	return n, c.wrap(err)
}

// Close may be called more than once.
func (c *tcpConn) Close() error {
	if err := c.Conn.Close(); !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}

// wrap tells our own Close from the other end's.
func (c *tcpConn) wrap(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, net.ErrClosed):
		return fail(c.spec, fs.ErrClosed, "closed")
	case errors.Is(err, io.EOF):
		return fail(c.spec, errors.Join(ErrGone, err), "the other end closed the connection")
	}
	if op, ok := errors.AsType[*net.OpError](err); ok {
		err = cmp.Or(op.Err, err)
	}
	return fail(c.spec, errors.Join(ErrGone, err), "connection lost: %v", err)
}
