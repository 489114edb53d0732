package port

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// The requests of the kernel's USBTMC driver, from linux/usb/tmc.h, numbered as
// asm-generic/ioctl.h does, which amd64, arm and arm64 use.
const (
	tmcClear      = 91<<8 | 2                  // _IO(91, 2): USBTMC_IOCTL_CLEAR
	tmcAbortIn    = 91<<8 | 4                  // _IO(91, 4): USBTMC_IOCTL_ABORT_BULK_IN
	tmcGoToLocal  = 91<<8 | 20                 // _IO(91, 20): USBTMC488_IOCTL_GOTO_LOCAL
	tmcSetTimeout = 1<<30 | 4<<16 | 91<<8 | 10 // _IOW(91, 10, __u32): USBTMC_IOCTL_SET_TIMEOUT, ms
)

const (
	tmcLeastTimeout = 100 * time.Millisecond // the driver takes no less (from memory)
	tmcTurn         = 5 * time.Second        // of waiting for an answer for ever; Close may have to wait one out
	tmcLongest      = 64 << 10               // bytes of an answer that are read at once
)

// tmcDriver is the kernel's driver behind one open device, so that the tests,
// which have no such instrument, can put something in its place.
type tmcDriver interface {
	io.ReadWriteCloser // a Read or Write is one message, or unix.ETIMEDOUT
	control(request uint) error
	setTimeout(time.Duration) error // of Read and Write
}

type tmcFile struct{ *os.File }

func (f tmcFile) control(request uint) error { return unix.IoctlSetInt(int(f.Fd()), request, 0) }

func (f tmcFile) setTimeout(d time.Duration) error {
	return unix.IoctlSetPointerInt(int(f.Fd()), tmcSetTimeout, int(d.Milliseconds()))
}

// usbtmcConn makes a stream of an instrument that exchanges messages. A Write is
// one message. Reads return the answer to it, with a newline at its end even if
// the instrument only marked the message as ended. While no answer is
// outstanding the instrument is not read, which it would take for an error
// (IEEE 488.2, query error). A read timeout under 100 ms is 100 ms otherwise.
type usbtmcConn struct {
	spec    string
	timeout time.Duration // of Read
	asked   bool          // an answer, or the rest of one, is outstanding
	buf     []byte
	rest    []byte // of an answer, in buf

	closing chan struct{} // closed by Close
	once    sync.Once
	err     error         // of Close
	busy    chan struct{} // holds one while driver is at work, and for good once it is closed
	driver  tmcDriver
}

func openUSBTMC(spec, path string) (Conn, error) {
	held, err := takeLock(path)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return nil, fail(spec, errors.Join(fs.ErrNotExist, err),
			"no such device: is the meter plugged in and switched on, and the kernel module usbtmc loaded? `ls /dev/usbtmc*` lists what is there")
	case err != nil:
		return nil, explain(spec, path, err)
	}
	if err := unix.SetNonblock(held.fd, false); err != nil {
		held.release()
		return nil, fail(spec, err, "cannot open: %v", err)
	}
	c, err := newUSBTMC(spec, tmcFile{os.NewFile(uintptr(held.fd), path)})
	if err != nil {
		return nil, err
	}
	return c, nil
}

// newUSBTMC clears what an earlier conversation may have left. An instrument
// may refuse that, which the driver reports as EPERM or EPIPE (from memory).
func newUSBTMC(spec string, d tmcDriver) (*usbtmcConn, error) {
	err := d.control(tmcClear)
	switch {
	case err == nil, errors.Is(err, unix.EPERM), errors.Is(err, unix.EPIPE):
		return &usbtmcConn{spec: spec, driver: d, timeout: -1, buf: make([]byte, tmcLongest),
			closing: make(chan struct{}), busy: make(chan struct{}, 1)}, nil
	case errors.Is(err, unix.ENOTTY):
		err = fail(spec, errors.Join(ErrSpec, err), "not a USBTMC instrument: %s", specForms)
	default:
		err = fail(spec, err, "the meter cannot be cleared (%v): switch it off and on", err)
	}
	d.Close()
	return nil, err
}

func (c *usbtmcConn) SetReadTimeout(d time.Duration) error {
	c.timeout = d
	return nil
}

func (c *usbtmcConn) Write(p []byte) (int, error) {
	n, err := c.work(writeTimeout, func() (int, error) { return c.driver.Write(p) })
	c.asked = bytes.IndexByte(p, '?') >= 0 // an instrument drops what it was asked before
	return n, c.wrap(err)
}

func (c *usbtmcConn) Read(p []byte) (int, error) {
	if len(c.rest) == 0 {
		wait := c.idle
		if c.asked {
			wait = c.fetch
		}
		if err := wait(); err != nil {
			return 0, c.wrap(err)
		}
	}
	n := copy(p, c.rest)
	c.rest = c.rest[n:]
	return n, nil
}

// idle waits out the read timeout.
func (c *usbtmcConn) idle() error {
	var timeUp <-chan time.Time
	if c.timeout >= 0 {
		timeUp = time.After(c.timeout)
	}
	select {
	case <-timeUp:
		return nil
	case <-c.closing:
		return fs.ErrClosed
	}
}

// fetch reads the answer, if it comes within the read timeout.
func (c *usbtmcConn) fetch() error {
	turn := c.timeout
	if turn < 0 {
		turn = tmcTurn
	}
	type result struct {
		n   int
		err error
	}
	for {
		done := make(chan result, 1)
		go func() { // the driver cannot be interrupted
			n, err := c.work(turn, c.receive)
			done <- result{n, err}
		}()
		select {
		case <-c.closing:
			return fs.ErrClosed
		case r := <-done:
			if r.n == 0 && r.err == nil && c.timeout < 0 {
				continue
			}
			c.rest = c.buf[:r.n]
			if r.n > 0 && r.n < len(c.buf) { // to its end
				c.asked = false
				if c.rest[r.n-1] != '\n' {
					c.rest = append(c.rest, '\n')
				}
			}
			return r.err
		}
	}
}

// receive is one message, or none if none came in time.
func (c *usbtmcConn) receive() (int, error) {
	n, err := c.driver.Read(c.buf)
	switch {
	case errors.Is(err, unix.ETIMEDOUT): // the instrument still holds the request to send
		return 0, c.driver.control(tmcAbortIn)
	case err == io.EOF: // an empty message
		return 0, nil
	}
	return n, err
}

// work has the driver do something that may take so long.
func (c *usbtmcConn) work(timeout time.Duration, f func() (int, error)) (int, error) {
	select {
	case <-c.closing:
		return 0, fs.ErrClosed
	case c.busy <- struct{}{}:
	}
	defer func() { <-c.busy }()
	if err := c.driver.setTimeout(max(timeout, tmcLeastTimeout)); err != nil {
		return 0, err
	}
	return f()
}

// Close hands the front panel back to people and lets the device go, once the
// driver is done with what it is at, which the read timeout bounds. A pending
// Read ends at once.
func (c *usbtmcConn) Close() error {
	c.once.Do(func() {
		close(c.closing)
		c.busy <- struct{}{}
		_ = c.driver.control(tmcGoToLocal) // not every instrument knows it
		if err := c.driver.Close(); err != nil {
			c.err = fail(c.spec, err, "cannot close: %v", err)
		}
	})
	return c.err
}

func (c *usbtmcConn) wrap(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrClosed):
		return fail(c.spec, err, "closed")
	case errors.Is(err, unix.ENODEV):
		return fail(c.spec, errors.Join(ErrGone, err), vanished)
	}
	cause := err
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		cause = p.Err
	}
	return fail(c.spec, errors.Join(ErrGone, err), "USB transfer failed: %v", cause)
}
