//go:build servers && linux

package port

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// ser2net is the real server of Debian's package ser2net, in front of a pty.
type ser2net struct {
	address, config string
	cmd             *exec.Cmd
}

// newSer2net starts one with the accepter, "telnet(rfc2217=true),tcp", for the
// pty at path and so many clients at a time.
func newSer2net(t *testing.T, accepter, path string, clients int) *ser2net {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &ser2net{address: free.Addr().String(), config: filepath.Join(t.TempDir(), "ser2net.yaml")}
	free.Close()
	config := fmt.Sprintf(`connection: &meter
  accepter: %s,%s
  connector: serialdev(nouucplock=true),%s,local
  options:
    max-connections: %d
`, accepter, strings.Replace(s.address, ":", ",", 1), path, clients)
	if err := os.WriteFile(s.config, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	s.start(t)
	return s
}

func (s *ser2net) start(t *testing.T) {
	t.Helper()
	program, err := exec.LookPath("ser2net")
	if err != nil {
		program = "/usr/sbin/ser2net" // not on every user's path
	}
	cmd := exec.Command(program, "-n", "-c", s.config)
	var says bytes.Buffer
	cmd.Stderr = &says
	if err := cmd.Start(); err != nil {
		t.Fatalf("%v: apt-get install ser2net", err)
	}
	s.cmd = cmd
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have been killed
		_ = cmd.Wait()
		if t.Failed() {
			t.Logf("ser2net: %s", &says)
		}
	})
}

// open tries until the server is up; 20 s bound failure.
func (s *ser2net) open(t *testing.T, kind, line string) Conn {
	t.Helper()
	var err error
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		var c Conn
		if c, err = Open(t.Context(), kind+"://"+s.address, line); err == nil {
			t.Cleanup(func() { c.Close() })
			return c
		}
	}
	t.Fatal(err)
	return nil
}

// everyByte is all that a line can carry, with what telnet might stumble over.
func everyByte() []byte {
	b := []byte("\xff\xff\xff\r\x00\r\n\x00\x00\xff\xf0\xff\xfa\x2c\xff")
	for i := range 256 {
		b = append(b, byte(i))
	}
	return b
}

// take reads n bytes; 10 s bound failure.
func take(t *testing.T, r io.Reader, n int) []byte {
	t.Helper()
	if c, ok := r.(Conn); ok {
		if err := c.SetReadTimeout(time.Second); err != nil {
			t.Fatal(err)
		}
	}
	buf := make([]byte, n)
	have := 0
	for end := time.Now().Add(10 * time.Second); have < n; {
		m, err := r.Read(buf[have:])
		have += m
		switch {
		case time.Now().After(end):
			t.Fatalf("%d of %d bytes in 10 s: % x, %v", have, n, buf[:have], err)
		case errors.Is(err, unix.EIO): // of a pty's master: the server has yet to open the other side
			time.Sleep(10 * time.Millisecond)
		case err != nil:
			t.Fatal(err)
		}
	}
	return buf
}

const rfc2217 = "telnet(rfc2217=true),tcp"

func TestSer2net(t *testing.T) {
	t.Parallel()
	master, path := newPTY(t)
	s := newSer2net(t, rfc2217, path, 1)
	for _, c := range []struct {
		line  string
		speed uint32
		mask  byte
	}{{"2400 8N1", unix.B2400, 0xff}, {"19200 7E2", unix.B19200, 0x7f}, {"600 8O1", unix.B600, 0xff}, {"115200 8N1", unix.B115200, 0xff}} {
		conn := s.open(t, "rfc2217", c.line)
		set, err := unix.IoctlGetTermios(int(master.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		if got := set.Cflag & unix.CBAUD; got != c.speed {
			t.Errorf("line %s: the pty's speed is %#o, want %#o", c.line, got, c.speed)
		}
		if c.line[5:] == "7E2" && set.Cflag&unix.CSTOPB == 0 { // data bits and parity are not a pty's to set
			t.Errorf("line %s: one stop bit", c.line)
		}
		sent := everyByte()
		if _, err := conn.Write(sent); err != nil {
			t.Fatal(err)
		}
		if got := take(t, master, len(sent)); !bytes.Equal(got, sent) {
			t.Errorf("line %s: the meter has\n% x, want\n% x", c.line, got, sent)
		}
		if _, err := master.Write(sent); err != nil {
			t.Fatal(err)
		}
		for i := range sent {
			sent[i] &= c.mask
		}
		if got := take(t, conn, len(sent)); !bytes.Equal(got, sent) {
			t.Errorf("line %s: read\n% x, want\n% x", c.line, got, sent)
		}
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A pty has no modem lines, which the server keeps to itself.
func TestSer2netModemLine(t *testing.T) {
	t.Parallel()
	_, path := newPTY(t)
	s := newSer2net(t, rfc2217, path, 2)
	s.open(t, "rfc2217", "2400 8N1")
	_, err := Open(t.Context(), "rfc2217://"+s.address, "2400 8N1 rts")
	want := "rfc2217://" + s.address + ": the serial server does not confirm RTS on within 3s: can it do this line setting?"
	if !errors.Is(err, os.ErrDeadlineExceeded) || err.Error() != want {
		t.Errorf("error\n%v, want\n%s", err, want)
	}
}

func TestSer2netKilled(t *testing.T) {
	t.Parallel()
	master, path := newPTY(t)
	s := newSer2net(t, rfc2217, path, 1)
	c := s.open(t, "rfc2217", "2400 8N1")
	if err := s.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Read(make([]byte, 8)); !errors.Is(err, ErrGone) {
		t.Errorf("the server was killed: %v", err)
	}
	s.start(t)
	c = s.open(t, "rfc2217", "2400 8N1")
	if _, err := master.WriteString("38.2"); err != nil {
		t.Fatal(err)
	}
	if got := string(take(t, c, 4)); got != "38.2" {
		t.Errorf("after the restart: %q", got)
	}
}

func TestSer2netTwoClients(t *testing.T) {
	t.Parallel()
	master, path := newPTY(t)
	s := newSer2net(t, rfc2217, path, 2)
	one, two := s.open(t, "rfc2217", "2400 8N1"), s.open(t, "rfc2217", "2400 8N1")
	if _, err := master.WriteString("38.2"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []Conn{one, two} {
		if got := string(take(t, c, 4)); got != "38.2" {
			t.Errorf("read %q", got)
		}
	}
	_, err := Open(t.Context(), "rfc2217://"+s.address, "2400 8N1") // a third
	if !errors.Is(err, ErrGone) || !strings.HasPrefix(err.Error(), "rfc2217://"+s.address+": the serial server hung up at once") {
		t.Errorf("one client too many: %v", err)
	}
}

func TestSer2netRaw(t *testing.T) {
	t.Parallel()
	master, path := newPTY(t)
	s := newSer2net(t, "tcp", path, 2)
	c := s.open(t, "tcp", "")
	sent := everyByte()
	if _, err := c.Write(sent); err != nil {
		t.Fatal(err)
	}
	if got := take(t, master, len(sent)); !bytes.Equal(got, sent) { // now the server has opened the pty
		t.Errorf("the meter has\n% x, want\n% x", got, sent)
	}
	if _, err := master.Write(sent); err != nil {
		t.Fatal(err)
	}
	if got := take(t, c, len(sent)); !bytes.Equal(got, sent) {
		t.Errorf("read\n% x, want\n% x", got, sent)
	}
	c.Close()
	_, err := Open(t.Context(), "rfc2217://"+s.address, "2400 8N1")
	want := "rfc2217://" + s.address + ": no RFC 2217 answer within 3s: is this a raw port? write tcp://" + s.address
	if err == nil || err.Error() != want {
		t.Errorf("asked for RFC 2217:\n%v, want\n%s", err, want)
	}
}
