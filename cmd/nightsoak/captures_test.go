package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
)

// Every capture of every format goes through real ports into the real daemon,
// all at once, and every reading of it must come out of the record, in order,
// and no other.

func TestCapturesOverTerminals(t *testing.T) {
	t.Parallel()
	throughDaemon(t, func(t *testing.T, n int) (ports []string, meters []io.ReadWriter) {
		for range n {
			master, path := rawTerminal(t)
			ports, meters = append(ports, path), append(meters, master)
		}
		return ports, meters
	})
}

func TestCapturesOverTCP(t *testing.T) {
	t.Parallel()
	throughDaemon(t, func(t *testing.T, n int) (ports []string, meters []io.ReadWriter) {
		for range n {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { l.Close() })
			ports, meters = append(ports, "tcp://"+l.Addr().String()), append(meters, &oneClient{Listener: l})
		}
		return ports, meters
	})
}

// rawTerminal is a pseudo-terminal that passes every byte as it is.
func rawTerminal(t *testing.T) (master *os.File, path string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	// The slave stays open here too: a master whose slave nobody has cannot be read.
	t.Cleanup(func() { master.Close(); slave.Close() })
	c, err := port.Open(t.Context(), slave.Name(), "9600 8N1") // leaves it raw
	if err == nil {
		err = c.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return master, slave.Name()
}

// oneClient is the far end of a TCP port: it waits for its first client.
type oneClient struct {
	net.Listener
	net.Conn
}

func (o *oneClient) conn() (net.Conn, error) {
	var err error
	if o.Conn == nil {
		o.Conn, err = o.Accept()
	}
	return o.Conn, err
}

func (o *oneClient) Read(p []byte) (int, error) {
	c, err := o.conn()
	if err != nil {
		return 0, err
	}
	return c.Read(p)
}

func (o *oneClient) Write(p []byte) (int, error) {
	c, err := o.conn()
	if err != nil {
		return 0, err
	}
	return c.Write(p)
}

// throughDaemon plays every capture on a port of its own. plug makes n ports:
// as the bench file names them, and the meters' ends of them.
func throughDaemon(t *testing.T, plug func(t *testing.T, n int) ([]string, []io.ReadWriter)) {
	captures, err := drivertest.ReadCaptures(os.DirFS("../../testdata/captures"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	text := fmt.Sprintf("name = \"north\"\ndata_dir = %q\n[panel]\nlisten = \"127.0.0.1:0\"\n", dir)
	ports, meters := plug(t, len(captures))
	for i, c := range captures {
		text += fmt.Sprintf("[[meter]]\nname = \"m%d\" # %s/%s\nport = %q\nformat = %q\nline = %q\n", i, c.Format, c.Name, ports[i], c.Format, strings.ReplaceAll(c.Line, " dtr", ""))
		if c.Talk != nil {
			// Paced by the answers; what is not answered is soon given up.
			text += "every = \"1ms\"\n"
			c.Settings["timeout"] = "300ms"
		}
		text += settingLines(c.Settings)
	}
	name := func(format string) string {
		return "m" + strconv.Itoa(slices.IndexFunc(captures, func(c drivertest.Capture) bool { return c.Format == format && c.Name == "bias-across-1-ohm" }))
	}
	job := fmt.Sprintf("ticket = \"R-1187\"\n[[socket]]\nname = \"V5\"\ntube = \"6L6GC\"\nsense = { meter = %q, ohms = 1.0 }\nplate = { meter = %q }\n",
		name("fs9721"), name("es51922"))
	files := []string{"--bench", filepath.Join(dir, "bench.toml"), "--job", filepath.Join(dir, "job.toml")}
	if err := errors.Join(os.WriteFile(files[1], []byte(text), 0o600), os.WriteFile(files[3], []byte(job), 0o600)); err != nil {
		t.Fatal(err)
	}
	s := start(t, append([]string{"serve"}, files...)...)
	s.until(t, "all ports are open", 20*time.Second, func(remoteState) bool {
		var opened int
		err := query(t, s.record).QueryRow(`select count(*) from acts where kind = 'port' and body->>'open'`).Scan(&opened)
		return err == nil && opened >= len(captures)
	})
	failed := make(chan error, len(captures))
	for i, c := range captures {
		go func() { failed <- play(c, meters[i]) }()
	}
	for range captures {
		if err := <-failed; err != nil {
			t.Error(err)
		}
	}
	total := 0
	for _, c := range captures {
		total += len(c.Want)
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		if _, n := readings(t, s.record); n >= total || time.Now().After(deadline) {
			break
		}
	}
	s.stop(t)
	got, n := readings(t, s.record) // whatever came late is too much
	t.Logf("%d captures, %d of %d readings", len(captures), n, total)
	for i, c := range captures {
		if m := "m" + strconv.Itoa(i); !slices.Equal(got[m], c.Want) {
			t.Errorf("%s/%s is recorded as %q, want %q", c.Format, c.Name, got[m], c.Want)
		}
	}
}

// settingLines are the keys of a format in a bench file.
func settingLines(s drivers.Settings) (lines string) {
	for key, value := range s {
		lines += fmt.Sprintf("%s = '''%s'''\n", key, value)
	}
	return lines
}

// play is the meter: it sends the capture's bytes, or holds its dialogue.
func play(c drivertest.Capture, rw io.ReadWriter) error {
	if c.Talk == nil {
		_, err := rw.Write(c.Bytes())
		return err
	}
	m := c.Meter()
	var buf [256]byte
	for !m.Done() {
		n, err := rw.Read(buf[:])
		if err != nil {
			return fmt.Errorf("%s/%s: %w", c.Format, c.Name, err)
		}
		answer, err := m.Hear(buf[:n])
		if err != nil {
			return fmt.Errorf("%s/%s: %w", c.Format, c.Name, err)
		}
		if _, err := rw.Write(answer); err != nil {
			return err
		}
	}
	return nil
}

// readings is what the record holds so far: the readings by meter, and how many.
func readings(t *testing.T, dir string) (byMeter map[string][]string, n int) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "readings.csv")
	must(t, "report", "R-1187", "--data", dir, "--out", out)
	f, err := os.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	byMeter = map[string][]string{}
	for _, row := range rows[1:] { // t, meter, reading, unit, flags
		byMeter[row[1]] = append(byMeter[row[1]], strings.TrimSpace(strings.Join(row[2:], " ")))
	}
	return byMeter, len(rows) - 1
}
