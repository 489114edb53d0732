package port

import (
	"cmp"
	"context"
	"errors"
	"io"
	"io/fs"
	"net"
	"os"
	"time"
)

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

func dial(ctx context.Context, spec, addr string) (*tcpConn, error) {
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

// deadline is when a Read that begins now has waited long enough; zero is never.
func (c *tcpConn) deadline() time.Time {
	if c.timeout < 0 {
		return time.Time{}
	}
	// A deadline already past would not even take bytes that have come.
	return time.Now().Add(max(c.timeout, time.Millisecond))
}

func (c *tcpConn) Read(p []byte) (int, error) { return c.readUntil(c.deadline(), p) }

// readUntil returns (0, nil) when the deadline passes with nothing.
func (c *tcpConn) readUntil(deadline time.Time, p []byte) (int, error) {
	if err := c.Conn.SetReadDeadline(deadline); err != nil {
		return 0, c.wrap(err)
	}
	n, err := c.Conn.Read(p)
	if errors.Is(err, os.ErrDeadlineExceeded) { // not ETIMEDOUT, which is keep-alive's verdict
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
