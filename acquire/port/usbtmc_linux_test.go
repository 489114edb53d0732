package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"
)

// tmcStandIn stands in for the kernel's USBTMC driver and an instrument behind
// it, since neither was at hand. It does what the driver's header and IEEE 488.2
// say and what is remembered of the driver: so these tests prove this package's
// half of the conversation, and nothing about a real instrument.
type tmcStandIn struct {
	answers map[string]string // by message
	slow    time.Duration     // from the message to its answer
	fails   error             // of Read and Write
	refuses map[uint]error    // of control

	did     []string // in order
	timeout time.Duration
	answer  string // not read so far
	ready   time.Time
}

func (d *tmcStandIn) note(format string, a ...any) { d.did = append(d.did, fmt.Sprintf(format, a...)) }

func (d *tmcStandIn) Write(p []byte) (int, error) {
	d.note("write %q in %v", p, d.timeout)
	if d.fails != nil {
		return 0, d.fails
	}
	d.answer, d.ready = d.answers[string(p)], time.Now().Add(d.slow)
	return len(p), nil
}

func (d *tmcStandIn) Read(p []byte) (int, error) {
	if d.fails != nil {
		return 0, d.fails
	}
	if d.answer == "" || time.Until(d.ready) > d.timeout {
		time.Sleep(d.timeout)
		d.note("nothing in %v", d.timeout)
		return 0, &fs.PathError{Op: "read", Path: "/dev/usbtmc0", Err: unix.ETIMEDOUT}
	}
	time.Sleep(time.Until(d.ready))
	n := copy(p, d.answer)
	d.answer = d.answer[n:]
	d.note("read %d", n)
	return n, nil
}

func (d *tmcStandIn) control(request uint) error {
	d.note("%s", map[uint]string{tmcClear: "clear", tmcAbortIn: "abort", tmcGoToLocal: "local"}[request])
	return d.refuses[request]
}

func (d *tmcStandIn) setTimeout(t time.Duration) error {
	d.timeout = t
	return nil
}

func (d *tmcStandIn) Close() error {
	d.note("close")
	return nil
}

// open gives a port over the stand-in.
func (d *tmcStandIn) open(t *testing.T) *usbtmcConn {
	t.Helper()
	c, err := newUSBTMC("usbtmc:/dev/usbtmc0", d)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// The numbers are what a C compiler makes of linux/usb/tmc.h on amd64.
func TestUSBTMCRequests(t *testing.T) {
	if d := cmp.Diff([]uint{23298, 23300, 23316, 1074027274}, []uint{tmcClear, tmcAbortIn, tmcGoToLocal, tmcSetTimeout}); d != "" {
		t.Error(d)
	}
}

func TestUSBTMC(t *testing.T) {
	const timeout = 2 * time.Second
	long := strings.Repeat("+1.2345E-02,", tmcLongest/12+1) + "0\n"
	for name, c := range map[string]struct {
		device tmcStandIn
		send   []string
		wait   time.Duration // the read timeout
		want   string        // of three Reads of at most 48 kB
		takes  time.Duration
		did    string // but for clearing, going local and closing
	}{
		"an answer": {tmcStandIn{answers: map[string]string{"READ?\n": "+1.2345E-02\n"}}, []string{"READ?\n"}, timeout,
			"+1.2345E-02\n||", 2 * timeout, `write "READ?\n" in 5s, read 12`},
		"a newline is not a message's end": {tmcStandIn{answers: map[string]string{"READ?": "1.5"}}, []string{"READ?"}, timeout,
			"1.5\n||", 2 * timeout, `write "READ?" in 5s, read 3`},
		"nothing asked": {tmcStandIn{}, []string{"CONF:VOLT\n"}, timeout,
			"||", 3 * timeout, `write "CONF:VOLT\n" in 5s`},
		"nothing said": {tmcStandIn{}, nil, timeout, "||", 3 * timeout, ""},
		"a command drops the answer": {tmcStandIn{answers: map[string]string{"READ?": "1.5"}}, []string{"READ?", "*CLS"}, 0,
			"||", 0, `write "READ?" in 5s, write "*CLS" in 5s`},
		"a slow answer": {tmcStandIn{answers: map[string]string{"READ?": "1.5"}, slow: 3 * time.Second}, []string{"READ?"}, timeout,
			"|1.5\n|", 3*time.Second + timeout, `write "READ?" in 5s, nothing in 2s, abort, read 3`},
		"no answer": {tmcStandIn{}, []string{"READ?"}, timeout,
			"||", 3 * timeout, `write "READ?" in 5s, nothing in 2s, abort, nothing in 2s, abort, nothing in 2s, abort`},
		"what has come already": {tmcStandIn{answers: map[string]string{"READ?": "1.5"}}, []string{"READ?"}, 0,
			"1.5\n||", 0, `write "READ?" in 5s, read 3`},
		"the driver's least timeout": {tmcStandIn{}, []string{"READ?"}, time.Millisecond,
			"||", 300 * time.Millisecond, `write "READ?" in 5s, nothing in 100ms, abort, nothing in 100ms, abort, nothing in 100ms, abort`},
		"a long answer": {tmcStandIn{answers: map[string]string{"READ?": long}}, []string{"READ?"}, timeout,
			long[:48000] + "|" + long[48000:tmcLongest] + "|" + long[tmcLongest:], 0,
			fmt.Sprintf(`write "READ?" in 5s, read %d, read %d`, tmcLongest, len(long)-tmcLongest)},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := c.device.open(t)
				for _, s := range c.send {
					if n, err := p.Write([]byte(s)); n != len(s) || err != nil {
						t.Errorf("wrote %d, %v", n, err)
					}
				}
				if err := p.SetReadTimeout(c.wait); err != nil {
					t.Fatal(err)
				}
				start := time.Now()
				var got []string
				buf := make([]byte, 48000)
				for range 3 {
					n, err := p.Read(buf)
					if err != nil {
						t.Fatal(err)
					}
					got = append(got, string(buf[:n]))
				}
				if took := time.Since(start); took != c.takes {
					t.Errorf("took %v, want %v", took, c.takes)
				}
				if d := cmp.Diff(c.want, strings.Join(got, "|")); d != "" {
					t.Errorf("read %s", d)
				}
				if err := p.Close(); err != nil {
					t.Error(err)
				}
				want := strings.ReplaceAll("clear, "+c.did+", local, close", ", , ", ", ")
				if d := cmp.Diff(want, strings.Join(c.device.did, ", ")); d != "" {
					t.Error(d)
				}
			})
		})
	}
}

func TestUSBTMCWaitsForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := tmcStandIn{answers: map[string]string{"READ?": "1.5\n"}, slow: 12 * time.Second}
		c := d.open(t)
		defer c.Close()
		if _, err := c.Write([]byte("READ?")); err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		buf := make([]byte, 8)
		if n, err := c.Read(buf); string(buf[:n]) != "1.5\n" || err != nil || time.Since(start) != d.slow {
			t.Errorf("read %q, %v, after %v", buf[:n], err, time.Since(start))
		}
	})
}

// A pending Read ends at once; the device is let go when the driver is done.
func TestUSBTMCCloseUnblocksRead(t *testing.T) {
	for _, ask := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			d := tmcStandIn{}
			c := d.open(t)
			if ask {
				if _, err := c.Write([]byte("READ?")); err != nil {
					t.Fatal(err)
				}
			}
			go func() {
				time.Sleep(time.Second)
				for range 2 {
					if err := c.Close(); err != nil {
						t.Error(err)
					}
				}
				if last := d.did[len(d.did)-2:]; !cmp.Equal(last, []string{"local", "close"}) {
					t.Errorf("last %q", d.did)
				}
			}()
			start := time.Now()
			if _, err := c.Read(make([]byte, 8)); !errors.Is(err, fs.ErrClosed) || time.Since(start) != time.Second {
				t.Errorf("Read: %v after %v", err, time.Since(start))
			}
			if _, err := c.Write([]byte("x")); !errors.Is(err, fs.ErrClosed) {
				t.Errorf("Write: %v", err)
			}
			time.Sleep(time.Minute)
		})
	}
}

func TestUSBTMCGone(t *testing.T) {
	for cause, text := range map[error]string{
		unix.ENODEV: "the device vanished: was it unplugged or switched off?",
		&fs.PathError{Op: "read", Path: "/dev/usbtmc0", Err: unix.EIO}: "USB transfer failed: input/output error",
	} {
		d := tmcStandIn{}
		c := d.open(t)
		if _, err := c.Write([]byte("READ?")); err != nil {
			t.Fatal(err)
		}
		d.fails = cause
		for range 2 {
			_, errRead := c.Read(make([]byte, 8))
			_, errWrite := c.Write([]byte("READ?"))
			for _, err := range []error{errRead, errWrite} {
				if !errors.Is(err, ErrGone) || !errors.Is(err, cause) || err.Error() != "usbtmc:/dev/usbtmc0: "+text {
					t.Errorf("%v, want %s", err, text)
				}
			}
		}
		c.Close()
	}
	// An instrument that will not stop sending is out of step.
	d := tmcStandIn{refuses: map[uint]error{tmcAbortIn: unix.EPERM}}
	c := d.open(t)
	defer c.Close()
	if _, err := c.Write([]byte("READ?")); err != nil {
		t.Fatal(err)
	}
	if err := c.SetReadTimeout(0); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Read(make([]byte, 8)); !errors.Is(err, ErrGone) || !errors.Is(err, unix.EPERM) {
		t.Errorf("abort refused: %v", err)
	}
}

func TestUSBTMCClear(t *testing.T) {
	for cause, text := range map[error]string{
		unix.EPERM:  "",
		unix.EPIPE:  "",
		unix.ENOTTY: "not a USBTMC instrument: " + specForms,
		unix.EIO:    "the meter cannot be cleared (input/output error): switch it off and on",
	} {
		d := tmcStandIn{refuses: map[uint]error{tmcClear: cause}}
		c, err := newUSBTMC("usbtmc:/dev/usbtmc0", &d)
		if text == "" {
			if err != nil {
				t.Errorf("%v: %v", cause, err)
			}
			c.Close()
		} else if !errors.Is(err, cause) || err.Error() != "usbtmc:/dev/usbtmc0: "+text || d.did[len(d.did)-1] != "close" {
			t.Errorf("%v, want %s; did %q", err, text, d.did)
		}
	}
}

// Here the devices are real, but none is an instrument.
func TestUSBTMCOpen(t *testing.T) {
	_, err := Open(t.Context(), "usbtmc:/dev/no-such-meter", "")
	want := "usbtmc:/dev/no-such-meter: no such device: is the meter plugged in and switched on, and the kernel module usbtmc loaded? `ls /dev/usbtmc*` lists what is there"
	if !errors.Is(err, fs.ErrNotExist) || err.Error() != want {
		t.Errorf("missing:\n%v, want\n%s", err, want)
	}
	_, path := newPTY(t)
	for range 2 { // a failed Open must let the device go
		if _, err = Open(t.Context(), "usbtmc:"+path, ""); !errors.Is(err, ErrSpec) || err.Error() != "usbtmc:"+path+": not a USBTMC instrument: "+specForms {
			t.Errorf("a pty: %v", err)
		}
	}
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err = Open(t.Context(), "usbtmc:"+path, ""); !errors.Is(err, ErrInUse) {
		t.Errorf("in use: %v", err)
	}
	if err := os.Chmod(path, 0); err != nil {
		t.Fatal(err)
	}
	c.Close()
	line, _, _ := second(t, "usbtmc:"+path, nobodyEnv+"=1")
	if !strings.HasPrefix(line, "usbtmc:"+path+": permission denied: the device belongs to group ") {
		t.Errorf("forbidden: %s", line)
	}
}
