package port

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"net"
	"strings"
	"testing"
	"time"
)

func TestCheck(t *testing.T) {
	for _, ok := range []string{"/dev/ttyUSB0", "COM3", "/dev/serial/by-id/usb-one", "usb:10c4:ea60", "usb:10C4:EA60:A:1",
		"tcp://meters.local:4001", "tcp://[::1]:4001", "rfc2217://192.0.2.7:2217", "usbtmc:/dev/usbtmc0"} {
		if err := Check(ok); err != nil {
			t.Errorf("Check(%q): %v", ok, err)
		}
	}
	const forms = "write a device such as /dev/ttyUSB0, usb:VID:PID, usb:VID:PID:SERIAL, tcp://host:port, rfc2217://host:port or usbtmc:/dev/usbtmc0"
	for _, c := range []struct {
		spec  string
		cause error
		text  string
	}{
		{"", ErrSpec, `"": no port is given: ` + forms},
		{"udp://h:1", ErrSpec, `udp://h:1: not a port: ` + forms},
		{"tcp://h", ErrSpec, `tcp://h: write tcp://host:port with a port number from 1 to 65535`},
		{"tcp://:4001", ErrSpec, `tcp://:4001: write tcp://host:port with a port number from 1 to 65535`},
		{"tcp://h:0", ErrSpec, `tcp://h:0: write tcp://host:port with a port number from 1 to 65535`},
		{"tcp://h:70000", ErrSpec, `tcp://h:70000: write tcp://host:port with a port number from 1 to 65535`},
		{"tcp:h:1", ErrSpec, `tcp:h:1: write tcp://host:port with a port number from 1 to 65535`},
		{"rfc2217://h", ErrSpec, `rfc2217://h: write rfc2217://host:port with a port number from 1 to 65535`},
		{"usbtmc:0", ErrSpec, `usbtmc:0: write the device's whole path, such as usbtmc:/dev/usbtmc0`},
		{"ttyUSB0", ErrSpec, `ttyUSB0: not a port: ` + forms},
		{"COM", ErrSpec, `COM: not a port: ` + forms},
		{"COM999", ErrSpec, `COM999: not a port: ` + forms},
		{"usb:", ErrSpec, `usb:: write usb:VID:PID or usb:VID:PID:SERIAL, VID and PID in four hexadecimal digits, such as usb:10c4:ea60`},
		{"usb:10c4:ea6", ErrSpec, `usb:10c4:ea6: write usb:VID:PID or usb:VID:PID:SERIAL, VID and PID in four hexadecimal digits, such as usb:10c4:ea60`},
		{"usb:10c4:ea60:", ErrSpec, `usb:10c4:ea60:: write usb:VID:PID or usb:VID:PID:SERIAL, VID and PID in four hexadecimal digits, such as usb:10c4:ea60`},
	} {
		err := Check(c.spec)
		if !errors.Is(err, c.cause) || err.Error() != c.text {
			t.Errorf("Check(%q):\n%v, want\n%v", c.spec, err, c.text)
		}
		if _, err := Open(t.Context(), c.spec, "2400 8N1"); !errors.Is(err, c.cause) {
			t.Errorf("Open(%q): %v", c.spec, err)
		}
	}
}

func TestResolveUSB(t *testing.T) {
	one := Info{Port: "/dev/ttyUSB0", VID: "10c4", PID: "ea60", Serial: "0001"}
	two := Info{Port: "/dev/ttyUSB1", VID: "10c4", PID: "ea60", Serial: "A:2"}
	other := Info{Port: "/dev/ttyACM0", VID: "1a86", PID: "7523"}
	uart := Info{Port: "/dev/ttyS0"}
	all := []Info{uart, one, two, other}
	for _, c := range []struct {
		spec  string
		ports []Info
		want  string
		cause error
		text  string
	}{
		{"usb:1A86:7523", all, "/dev/ttyACM0", nil, ""},
		{"usb:10c4:ea60:A:2", all, "/dev/ttyUSB1", nil, ""},
		{"usb:10c4:ea60", all, "", ErrSpec, "usb:10c4:ea60: 2 ports match: usb:10c4:ea60:0001 (/dev/ttyUSB0), usb:10c4:ea60:A:2 (/dev/ttyUSB1): " +
			"add the serial number, or name one by its link in /dev/serial/by-path"},
		{"usb:0403:6001", []Info{uart, other}, "", fs.ErrNotExist, "usb:0403:6001: no such adapter is plugged in; there is usb:1a86:7523 (/dev/ttyACM0)"},
		{"usb:10c4:ea60:0002", []Info{one}, "", fs.ErrNotExist, "usb:10c4:ea60:0002: no such adapter is plugged in; there is usb:10c4:ea60:0001 (/dev/ttyUSB0)"},
		{"usb:0403:6001", []Info{uart}, "", fs.ErrNotExist, "usb:0403:6001: no such adapter is plugged in; there is no USB serial adapter at all"},
	} {
		got, err := resolveUSB(c.spec, c.ports)
		if got != c.want || !errors.Is(err, c.cause) || (err != nil && err.Error() != c.text) {
			t.Errorf("resolveUSB(%q) = %q, %v; want %q, %v", c.spec, got, err, c.want, c.text)
		}
	}
}

// server accepts one connection.
func server(t *testing.T) (spec string, accepted <-chan net.Conn) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	ch := make(chan net.Conn, 1)
	go func() {
		if c, err := l.Accept(); err == nil {
			ch <- c
		}
	}()
	return "tcp://" + l.Addr().String(), ch
}

func TestTCP(t *testing.T) {
	spec, accepted := server(t)
	c, err := Open(t.Context(), spec, "")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	far := <-accepted
	exercise(t, c, far, 0xff)
	far.Close()
	if _, err := c.Read(make([]byte, 8)); !errors.Is(err, ErrGone) || err.Error() != spec+": the other end closed the connection" {
		t.Errorf("after the other end closed: %v", err)
	}
}

func TestTCPCloseUnblocksRead(t *testing.T) {
	spec, accepted := server(t)
	c, err := Open(t.Context(), spec, "")
	if err != nil {
		t.Fatal(err)
	}
	defer (<-accepted).Close()
	closeUnblocksRead(t, c)
}

func TestTCPRefused(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	spec := "tcp://" + l.Addr().String()
	l.Close()
	_, err = Open(t.Context(), spec, "")
	if err == nil || !strings.HasPrefix(err.Error(), spec+": cannot connect: ") || !strings.HasSuffix(err.Error(), ": is the serial server on, and is this its address?") {
		t.Errorf("Open: %v", err)
	}
	if op, ok := errors.AsType[*net.OpError](err); !ok {
		t.Errorf("the cause is lost: %v, %v", op, err)
	}
}

// exercise sends both ways and checks the read timeouts. It leaves the port
// without a timeout. Of what is read, only the bits in mask are expected.
func exercise(t *testing.T, c Conn, far io.ReadWriter, mask byte) {
	t.Helper()
	buf := make([]byte, 64)
	for _, timeout := range []time.Duration{0, 5 * time.Millisecond} {
		if err := c.SetReadTimeout(timeout); err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		if n, err := c.Read(buf); n != 0 || err != nil || time.Since(start) < timeout {
			t.Errorf("with nothing there and timeout %v: %d bytes, %v, after %v", timeout, n, err, time.Since(start))
		}
	}
	if _, err := far.Write([]byte{0x15, 0x27, 0xff}); err != nil {
		t.Fatal(err)
	}
	if err := c.SetReadTimeout(-1); err != nil {
		t.Fatal(err)
	}
	if n, err := c.Read(buf); err != nil || !bytes.Equal(buf[:n], []byte{0x15, 0x27, mask}) {
		t.Errorf("read % x, %v", buf[:n], err)
	}
	if n, err := c.Write([]byte("*IDN?\n")); n != 6 || err != nil {
		t.Errorf("wrote %d, %v", n, err)
	}
	if n, err := far.Read(buf); err != nil || string(buf[:n]) != "*IDN?\n" {
		t.Errorf("the other end read %q, %v", buf[:n], err)
	}
}

// closeUnblocksRead closes c while a Read waits, and again.
func closeUnblocksRead(t *testing.T, c Conn) {
	t.Helper()
	reading, done := make(chan struct{}), make(chan error)
	go func() {
		close(reading)
		_, err := c.Read(make([]byte, 8))
		done <- err
	}()
	<-reading
	for range 2 {
		if err := c.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	}
	select {
	case err := <-done:
		if !errors.Is(err, fs.ErrClosed) || errors.Is(err, ErrGone) {
			t.Errorf("Read ended with %v, want closed and not gone", err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("Read still waits after Close")
	}
}

func TestAtLine(t *testing.T) {
	for spec, want := range map[string]string{
		"/dev/ttyUSB0": " at 2400 8N1", "usb:10c4:ea60": " at 2400 8N1", "rfc2217://10.0.0.7:2217": " at 2400 8N1",
		"tcp://10.0.0.7:5025": "", "usbtmc:/dev/usbtmc0": "",
	} {
		if got := AtLine(spec, "2400 8N1"); got != want {
			t.Errorf("%s: %q, want %q", spec, got, want)
		}
	}
}
