package port

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"
)

type serialConn struct {
	serial.Port
	spec   string
	lock   *lock
	file   *os.File      // to read and write; nil: Port
	wait   time.Duration // of a read from file; negative: for ever
	closed atomic.Bool
	once   sync.Once
	err    error // of Close
}

// openSerial locks and opens the device that spec names.
func openSerial(spec string, l Line) (Conn, error) {
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
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, missing(spec, err)
	case err != nil:
		return nil, fail(spec, err, "%v", errors.Unwrap(err))
	case hasDevices && info.Mode()&fs.ModeCharDevice == 0:
		return nil, fail(spec, ErrSpec, "not a serial device: %s", specForms)
	case hasDevices && l.StopBits == 1.5:
		return nil, fail(spec, ErrLine, "line %q: this system has no 1.5 stop bits: write 1 or 2", l)
	}
	held, err := takeLock(path)
	if err != nil {
		return nil, explain(spec, path, err)
	}
	p, err := serial.Open(path, l.mode())
	if err != nil {
		held.release()
		return nil, explain(spec, path, err)
	}
	// Both lines come up asserted at open; what was not asked for is let go at once.
	if err = p.SetDTR(l.DTR); err == nil {
		err = p.SetRTS(l.RTS)
	}
	onPTY, asked := isPTY(path), l.DTR || l.RTS
	if errors.Is(err, syscall.ENOTTY) && (onPTY || !asked) {
		err = nil
	}
	if err != nil {
		err = fail(spec, err, "cannot set the modem lines for line %q: %v", l, err)
	} else if onPTY {
		if err = held.admit(); err != nil {
			err = fail(spec, err, "cannot leave exclusive mode: %v", err)
		}
	}
	if err != nil {
		p.Close()
		held.release()
		return nil, err
	}
	return &serialConn{Port: p, spec: spec, lock: held, file: held.file(path), wait: -1}, nil
}

const vanished = "the device vanished: was it unplugged or switched off?"

func missing(spec string, cause error) error {
	return fail(spec, cause, "no such device: is it plugged in and switched on? `nightsoak ports` lists what is there")
}

// inUse says who has the port: holder is a process as program words it.
func inUse(spec string, cause error, holder string) error {
	cause = errors.Join(ErrInUse, cause)
	switch holder {
	case program(os.Getpid()):
		return fail(spec, cause, "already open in this program under another name: meters that share a port must name it alike")
	case "":
		holder = "another program"
	}
	return fail(spec, cause, "in use by %s: stop it or give this meter another port", holder)
}

// explain turns what the system or the serial library said about opening path
// into a line that a person can act on.
func explain(spec, path string, err error) error {
	var code serial.PortErrorCode = -1
	if pe, ok := errors.AsType[*serial.PortError](err); ok {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, syscall.ENOENT), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO), code == serial.PortNotFound:
		return missing(spec, errors.Join(fs.ErrNotExist, err))
	case errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM), code == serial.PermissionDenied:
		return fail(spec, errors.Join(fs.ErrPermission, err), "permission denied: %s", owner(path))
	case errors.Is(err, ErrInUse), errors.Is(err, syscall.EBUSY), code == serial.PortBusy:
		return inUse(spec, err, holder(path))
	case code == serial.InvalidSerialPort:
		return fail(spec, errors.Join(ErrSpec, err), "not a serial device, or one that cannot do this line setting (%v)", err)
	}
	return fail(spec, err, "cannot open: %v", err)
}

// isPTY says whether path is the slave side of a pseudo terminal, which has no
// modem lines, and 8 data bits and no parity whatever was asked.
func isPTY(path string) bool {
	real, err := filepath.EvalSymlinks(path)
	return err == nil && (strings.HasPrefix(real, "/dev/pts/") || strings.HasPrefix(real, "/dev/ttys"))
}

func (c *serialConn) Read(p []byte) (int, error) {
	if c.file == nil {
		n, err := c.Port.Read(p)
		return n, c.wrap(err)
	}
	var until time.Time
	if c.wait >= 0 {
		// A deadline already past would not even take bytes that have come.
		until = time.Now().Add(max(c.wait, time.Millisecond))
	}
	err := c.file.SetReadDeadline(until)
	n := 0
	if err == nil {
		n, err = c.file.Read(p)
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, c.wrap(err)
}

// Write never goes to the library where it can be helped: that waits for ever
// for a device which takes nothing, and, once closed, writes to whatever file
// has its descriptor's number then.
func (c *serialConn) Write(p []byte) (n int, err error) {
	if c.file != nil {
		if err = c.file.SetWriteDeadline(time.Now().Add(writeTimeout)); err == nil {
			n, err = c.file.Write(p)
		}
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return n, fail(c.spec, errors.Join(ErrGone, err), "the device has taken nothing for %v: does it hang? unplug it and plug it in again", writeTimeout)
		}
		return n, c.wrap(err)
	}
	for n < len(p) && err == nil {
		if c.closed.Load() {
			return n, c.wrap(fs.ErrClosed)
		}
		var m int
		m, err = c.Port.Write(p[n:])
		n += m
	}
	return n, c.wrap(err)
}

func (c *serialConn) SetReadTimeout(d time.Duration) error {
	if c.wait = d; d < 0 {
		d = serial.NoTimeout
	}
	return c.wrap(c.Port.SetReadTimeout(d))
}

// SetDTR makes the port ModemLines, with SetRTS.
func (c *serialConn) SetDTR(up bool) error { return c.modem(c.Port.SetDTR(up)) }

// SetRTS is SetDTR for the other line.
func (c *serialConn) SetRTS(up bool) error { return c.modem(c.Port.SetRTS(up)) }

func (c *serialConn) modem(err error) error {
	if errors.Is(err, syscall.ENOTTY) {
		return fail(c.spec, errors.Join(errors.ErrUnsupported, err), "has no modem lines: a pseudo terminal and some adaptors have none")
	}
	return c.wrap(err)
}

// Close waits until the device is let go, also when another Close is under way.
func (c *serialConn) Close() error {
	c.once.Do(func() {
		c.closed.Store(true)
		if err := c.Port.Close(); err != nil {
			c.err = fail(c.spec, err, "cannot close: %v", err)
		}
		if c.file != nil {
			_ = c.file.Close() // what was written is the driver's by now
		} else {
			c.lock.release()
		}
	})
	return c.err
}

// wrap tells our own Close from a device that vanished: the library reports
// both alike.
func (c *serialConn) wrap(err error) error {
	switch {
	case err == nil:
		return nil
	case c.closed.Load():
		return fail(c.spec, errors.Join(fs.ErrClosed, err), "closed")
	}
	return fail(c.spec, errors.Join(ErrGone, err), vanished)
}
