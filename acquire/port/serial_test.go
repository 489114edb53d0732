//go:build linux

package port

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"
)

// childEnv names the port that the test binary, run again, is to open.
const (
	childEnv  = "NIGHTSOAK_TEST_PORT"
	nobodyEnv = "NIGHTSOAK_TEST_NOBODY"
)

// TestMain lets this binary be a second program that opens a port: it prints
// "held" or the error and keeps the port until its input ends.
func TestMain(m *testing.M) {
	path := os.Getenv(childEnv)
	if path == "" {
		os.Exit(m.Run())
	}
	if os.Getenv(nobodyEnv) != "" && os.Getuid() == 0 {
		if err := errors.Join(syscall.Setgroups(nil), syscall.Setgid(65534), syscall.Setuid(65534)); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
	}
	if _, err := Open(context.Background(), path, "2400 8N1"); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	fmt.Println("held")
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// second runs this binary as another program that opens path. It returns the
// line that it prints, and how to end it.
func second(t *testing.T, path string, env ...string) (line string, pid int, end func()) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), append(env, childEnv+"="+path)...)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s := bufio.NewScanner(out)
	s.Scan()
	end = func() {
		in.Close()
		_ = cmd.Wait() // its status is in the line it printed
	}
	t.Cleanup(end)
	return s.Text(), cmd.Process.Pid, end
}

// newPTY is a pseudo terminal: its master, and the path of its slave.
func newPTY(t *testing.T) (*os.File, string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { master.Close() })
	slave.Close()
	return master, slave.Name()
}

func TestPTY(t *testing.T) {
	// Parity and modem lines cannot be had on a pty and must not hinder.
	for _, line := range []string{"2400 8N1", "19200 7O1", "2400 8N1 dtr", "9600 8N2 dtr rts"} {
		master, path := newPTY(t)
		c, err := Open(t.Context(), path, line)
		if err != nil {
			t.Fatalf("line %s: %v", line, err)
		}
		mask := byte(0xff)
		if strings.Contains(line, "7O1") {
			mask = 0x7f
		}
		exercise(t, c, master, mask)
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestPTYCloseUnblocksRead(t *testing.T) {
	_, path := newPTY(t)
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	closeUnblocksRead(t, c)
}

// A device that takes nothing any more must not keep the program from ending.
func TestPTYCloseUnblocksWrite(t *testing.T) {
	master, path := newPTY(t)
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	failed := make(chan error, 1)
	go func() {
		_, err := c.Write(make([]byte, 1<<20)) // far more than the terminal holds
		failed <- err
	}()
	if _, err := master.Read(make([]byte, 1)); err != nil { // it has begun
		t.Fatal(err)
	}
	c.Close()
	select {
	case err := <-failed:
		if !errors.Is(err, fs.ErrClosed) {
			t.Errorf("Write: %v", err)
		}
	case <-time.After(3 * time.Second): // less than writeTimeout
		t.Fatal("Close did not end the Write")
	}
}

// The system gives the number of a closed descriptor to the next file opened.
func TestPTYClosedWritesNowhere(t *testing.T) {
	_, path := newPTY(t)
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
	name := filepath.Join(t.TempDir(), "other")
	for range 4 {
		f, err := os.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
	}
	n, err := c.Write([]byte("D"))
	if b, _ := os.ReadFile(name); n != 0 || !errors.Is(err, fs.ErrClosed) || len(b) > 0 {
		t.Errorf("Write after Close: %d, %v; another file holds %q", n, err, b)
	}
}

func TestPTYVanishes(t *testing.T) {
	master, path := newPTY(t)
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	master.Close()
	if _, err := c.Read(make([]byte, 8)); !errors.Is(err, ErrGone) || errors.Is(err, fs.ErrClosed) ||
		err.Error() != path+": the device vanished: was it unplugged or switched off?" {
		t.Errorf("Read: %v", err)
	}
	if _, err := c.Write([]byte("x")); !errors.Is(err, ErrGone) {
		t.Errorf("Write: %v", err)
	}
}

func TestHeldByAnotherProgram(t *testing.T) {
	_, path := newPTY(t)
	line, pid, end := second(t, path)
	if line != "held" {
		t.Fatalf("the other program says %q", line)
	}
	want := fmt.Sprintf("%s: in use by port.test (pid %d): stop it or give this meter another port", path, pid)
	if _, err := Open(t.Context(), path, "2400 8N1"); !errors.Is(err, ErrInUse) || err.Error() != want {
		t.Errorf("Open:\n%v, want\n%v", err, want)
	}
	if got, want := openers()[path], fmt.Sprintf("port.test (pid %d)", pid); got != want {
		t.Errorf("opened by %q, want %q", got, want)
	}
	end()
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatalf("after the other program ended: %v", err)
	}
	defer c.Close()
	line, _, _ = second(t, path)
	want = fmt.Sprintf("%s: in use by port.test (pid %d): stop it or give this meter another port", path, os.Getpid())
	if line != want {
		t.Errorf("the other program says\n%s, want\n%s", line, want)
	}
}

// A program that is killed must not leave a pty that only root can open.
func TestPTYIsNotExclusive(t *testing.T) {
	_, path := newPTY(t)
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if on, err := unix.IoctlGetInt(int(f.Fd()), unix.TIOCGEXCL); on != 0 || err != nil {
		t.Errorf("exclusive mode is %d, %v", on, err)
	}
}

// A link, as in /dev/serial/by-id, is the device that it leads to; messages name
// the port as it was written.
func TestHeldByThisProgram(t *testing.T) {
	_, path := newPTY(t)
	link := filepath.Join(t.TempDir(), "usb-bridge-if00-port0")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	for _, names := range [][2]string{{link, path}, {path, link}} {
		c, err := Open(t.Context(), names[0], "2400 8N1")
		if err != nil {
			t.Fatal(err)
		}
		want := names[1] + ": already open in this program under another name: meters that share a port must name it alike"
		if _, err := Open(t.Context(), names[1], "2400 8N1"); !errors.Is(err, ErrInUse) || err.Error() != want {
			t.Errorf("a second Open under another name:\n%v, want\n%s", err, want)
		}
		c.Close()
		if c, err = Open(t.Context(), names[1], "2400 8N1"); err != nil {
			t.Fatalf("after Close: %v", err)
		}
		c.Close()
	}
}

func TestForbidden(t *testing.T) {
	_, path := newPTY(t)
	for _, c := range []struct {
		mode fs.FileMode
		want string
	}{
		{0o600, `: permission denied: the device belongs to group \S+ with mode 0600: a udev rule must give it to a group of yours, such as KERNEL=="\*", GROUP="dialout", MODE="0660"$`},
		{0o000, `: permission denied: the device belongs to group \S+ with mode 0000: a udev rule must give it to a group of yours, such as KERNEL=="\*", GROUP="dialout", MODE="0660"$`},
	} {
		if os.Getuid() != 0 {
			c.mode, c.want = 0, strings.Replace(c.want, "0600", "0000", 1)
		}
		if err := os.Chmod(path, c.mode); err != nil {
			t.Fatal(err)
		}
		line, _, _ := second(t, path, nobodyEnv+"=1")
		if !regexp.MustCompile("^" + path + c.want).MatchString(line) {
			t.Errorf("mode %04o: %s", c.mode, line)
		}
	}
}

func TestOwner(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ttyUSB0")
	if err := os.WriteFile(path, nil, 0o660); err != nil {
		t.Fatal(err)
	}
	group := fmt.Sprint(os.Getgid())
	if os.Getuid() == 0 {
		group = "54321" // a group without a name
		if err := os.Chown(path, 0, 54321); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(path, 0o660); err != nil {
		t.Fatal(err)
	}
	got := owner(path)
	if os.Getuid() == 0 && got != "the device belongs to group "+group+": `usermod -aG "+group+" USER` lets a user in at the next login" {
		t.Error(got)
	}
	if !strings.Contains(got, "usermod -aG ") {
		t.Error(got)
	}
}

func TestOpenErrors(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, path := newPTY(t)
	for _, c := range []struct {
		spec, line string
		cause      error
		text       string
	}{
		{"/dev/no-such-port", "2400 8N1", fs.ErrNotExist,
			"/dev/no-such-port: no such device: is it plugged in and switched on? `nightsoak ports` lists what is there"},
		{file + "/port", "2400 8N1", syscall.ENOTDIR, file + "/port: not a directory"},
		{file, "2400 8N1", ErrSpec,
			file + ": not a serial device: write a device such as /dev/ttyUSB0, usb:VID:PID, usb:VID:PID:SERIAL, tcp://host:port, rfc2217://host:port or usbtmc:/dev/usbtmc0"},
		{"/dev/null", "2400 8N1", ErrSpec,
			"/dev/null: not a serial device, or one that cannot do this line setting (Invalid serial port: error getting term settings: inappropriate ioctl for device)"},
		{path, "2400", ErrLine, path + `: line "2400": write for example "2400 8N1", and dtr or rts behind it to assert that modem line`},
		{path, "2400 8N1.5", ErrLine, path + `: line "2400 8N1.5": this system has no 1.5 stop bits: write 1 or 2`},
	} {
		_, err := Open(t.Context(), c.spec, c.line)
		if !errors.Is(err, c.cause) || err.Error() != c.text {
			t.Errorf("Open(%q, %q):\n%v, want\n%v", c.spec, c.line, err, c.text)
		}
	}
	// A failed Open must let the device go.
	c, err := Open(t.Context(), path, "2400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
}

func TestFlockPID(t *testing.T) {
	const locks = `1: POSIX  ADVISORY  WRITE 100 00:05:91 0 EOF
2: FLOCK  ADVISORY  WRITE 4711 00:05:91 0 EOF
2: -> FLOCK  ADVISORY  WRITE 4712 00:05:92 0 EOF
3: FLOCK  ADVISORY  WRITE 4713 fe:1f:92 0 EOF
4: FLOCK
`
	for _, c := range []struct {
		major, minor uint32
		inode        uint64
		want         int
	}{{0, 5, 91, 4711}, {0, 5, 92, 0}, {0xfe, 0x1f, 92, 4713}, {0, 5, 9, 0}} {
		if got := flockPID(strings.NewReader(locks), c.major, c.minor, c.inode); got != c.want {
			t.Errorf("inode %d: pid %d, want %d", c.inode, got, c.want)
		}
	}
}

// The tree is the shape that Documentation/ABI and a running kernel show: a
// class of links, the USB device two or three levels above its tty.
func TestListSys(t *testing.T) {
	root := t.TempDir()
	class := filepath.Join(root, "class", "tty")
	write := func(name, text string) {
		t.Helper()
		name = filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	link := func(to, name string) {
		t.Helper()
		name = filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(filepath.Join(root, to), name); err != nil {
			t.Fatal(err)
		}
	}
	write("devices/usb1/1-2/idVendor", "10c4\n")
	write("devices/usb1/1-2/idProduct", "ea60\n")
	write("devices/usb1/1-2/serial", "0001\n")
	write("devices/usb1/1-2/product", "USB \x1b[2Jto UART\n bridge\n")
	write("devices/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0/dev", "188:0\n")
	link("devices/usb1/1-2/1-2:1.0/ttyUSB0", "devices/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0/device")
	link("devices/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0", "class/tty/ttyUSB0")
	write("devices/usb1/1-3/idVendor", "1a86\n")
	write("devices/usb1/1-3/idProduct", "7523\n")
	write("devices/usb1/1-3/1-3:1.0/tty/ttyACM0/dev", "166:0\n")
	link("devices/usb1/1-3/1-3:1.0", "devices/usb1/1-3/1-3:1.0/tty/ttyACM0/device")
	link("devices/usb1/1-3/1-3:1.0/tty/ttyACM0", "class/tty/ttyACM0")
	write("devices/pnp/tty/ttyS0/type", "4\n")
	link("devices/pnp", "devices/pnp/tty/ttyS0/device")
	link("devices/pnp/tty/ttyS0", "class/tty/ttyS0")
	write("devices/serial8250/tty/ttyS1/type", "0\n")
	link("devices/serial8250", "devices/serial8250/tty/ttyS1/device")
	link("devices/serial8250/tty/ttyS1", "class/tty/ttyS1")
	write("devices/virtual/tty/tty1/dev", "4:1\n")
	link("devices/virtual/tty/tty1", "class/tty/tty1")

	got, err := listSys(class, "/dev")
	if err != nil {
		t.Fatal(err)
	}
	want := []Info{
		{Port: "/dev/ttyACM0", VID: "1a86", PID: "7523"},
		{Port: "/dev/ttyS0"},
		{Port: "/dev/ttyUSB0", VID: "10c4", PID: "ea60", Serial: "0001", Product: "USB [2Jto UART bridge"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if _, err := listSys(filepath.Join(root, "none"), "/dev"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("without sysfs: %v", err)
	}
}

func TestByID(t *testing.T) {
	dir := t.TempDir()
	_, path := newPTY(t)
	link := filepath.Join(dir, "usb-bridge-if00-port0")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(map[string]string{path: link}, byID(dir)); d != "" {
		t.Error(d)
	}
	if got := byID(filepath.Join(dir, "none")); len(got) != 0 {
		t.Errorf("without the directory: %v", got)
	}
}

func TestList(t *testing.T) {
	ports, err := List()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range ports {
		if !strings.HasPrefix(p.Port, "/dev/") {
			t.Errorf("port %+v", p)
		}
	}
}

// A pseudo terminal has no modem lines, and says so.
func TestNoModemLines(t *testing.T) {
	_, path := newPTY(t)
	c, err := Open(t.Context(), path, "9600 8N1")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	m, ok := c.(ModemLines)
	if !ok {
		t.Fatalf("%T drives no modem lines", c)
	}
	for _, err := range []error{m.SetDTR(true), m.SetRTS(false)} {
		if !errors.Is(err, errors.ErrUnsupported) || !strings.Contains(err.Error(), "has no modem lines") {
			t.Error(err)
		}
	}
}
