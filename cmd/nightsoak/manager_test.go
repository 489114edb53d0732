//go:build !windows

package main

import (
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
)

// notifySocket is the socket of a service manager: sd_notify(3) says that one
// datagram holds assignments, one a line.
type notifySocket struct {
	*net.UnixConn
	path string
}

func newNotifySocket(t *testing.T) *notifySocket {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &notifySocket{c, path}
}

// next is the next datagram, or "" when none comes in time.
func (n *notifySocket) next(t *testing.T, within time.Duration) string {
	t.Helper()
	if err := n.SetReadDeadline(time.Now().Add(within)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4096)
	size, err := n.Read(buf)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return ""
	}
	if err != nil {
		t.Fatal(err)
	}
	return string(buf[:size])
}

// quiet takes what has been sent already and then wants nothing for a while.
func (n *notifySocket) quiet(t *testing.T, held, during time.Duration) {
	t.Helper()
	for n.next(t, held) != "" {
	}
	if s := n.next(t, during); s != "" {
		t.Errorf("a sign of life though nothing is judged: %q", s)
	}
}

const soon = 20 * time.Second // bounds failure only

// The real program under a service manager: ready only when the panel answers,
// signs of life while the core runs, none while the process is suspended, and the
// word when it stops.
func TestServiceManager(t *testing.T) {
	r, n := newRig(t), newNotifySocket(t)
	s := &server{Cmd: command(t, append([]string{"serve"}, r.files...)...)}
	s.Env = append(s.Env, "NOTIFY_SOCKET="+n.path, "WATCHDOG_USEC=400000")
	s.Stdout, s.Stderr = s, s
	if err := s.Start(); err != nil {
		t.Fatal(err)
	}
	ready := n.next(t, soon)
	url, ok := strings.CutPrefix(ready, "READY=1\nSTATUS=panel: ")
	if !ok {
		t.Fatalf("first sent: %q\n%s", ready, s.logged())
	}
	s.url = url
	s.state(t) // no waiting: what is ready answers
	for range 3 {
		if got := n.next(t, soon); got != "WATCHDOG=1" {
			t.Fatalf("sent %q, want a sign of life\n%s", got, s.logged())
		}
	}
	if err := s.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	n.quiet(t, 100*time.Millisecond, time.Second)
	if err := s.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	if got := n.next(t, soon); got != "WATCHDOG=1" {
		t.Errorf("resumed: sent %q, want a sign of life", got)
	}
	s.stop(t)
	for {
		switch got := n.next(t, soon); got {
		case "WATCHDOG=1":
			continue
		case "STOPPING=1":
		default:
			t.Errorf("on SIGTERM: sent %q, want STOPPING=1", got)
		}
		break
	}
}

// The watchdog hangs on the core and on no timer: with the core stuck and the
// panel still answering, no sign of life goes out.
func TestWatchdogIsFedByTheCore(t *testing.T) {
	n := newNotifySocket(t)
	t.Setenv("NOTIFY_SOCKET", n.path)
	t.Setenv("WATCHDOG_USEC", "100000")
	d, err := newDaemon(&bench.Bench{Name: "north", DataDir: t.TempDir(), Panel: bench.Panel{Listen: "127.0.0.1:0"}}, 1, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	served := make(chan error, 1)
	urls := make(chan string, 1)
	go func() { served <- d.serve(ctx, nil, func(url string) { urls <- url }) }()
	url := <-urls
	for _, want := range []string{"READY=1\nSTATUS=panel: " + url, "WATCHDOG=1", "WATCHDOG=1"} {
		if got := n.next(t, soon); got != want {
			t.Fatalf("sent %q, want %q", got, want)
		}
	}
	d.notices.Lock() // the core looks at the notices whenever it publishes
	n.quiet(t, 200*time.Millisecond, time.Second)
	resp, err := http.Get(url + "api/state")
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("the panel beside a stuck core: %v %v", resp, err)
	}
	d.notices.Unlock()
	if got := n.next(t, soon); got != "WATCHDOG=1" {
		t.Errorf("the core goes on: sent %q, want a sign of life", got)
	}
	cancel()
	if err := errors.Join(<-served, d.close()); err != nil {
		t.Error(err)
	}
}

// The panel takes the sockets that it is given, sd_listen_fds(3): descriptors
// from 3 on, LISTEN_FDS of them, for the process LISTEN_PID.
func TestSocketActivation(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	udp, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer udp.Close()
	file := func(f *os.File, err error) *os.File {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f
	}
	tcp := file(l.(*net.TCPListener).File())
	dir := t.TempDir()
	bench := filepath.Join(dir, "bench.toml")
	// The address in the bench file is one that nobody can listen on.
	text := "name = \"north\"\ndata_dir = " + strconv.Quote(filepath.Join(dir, "data")) + "\n[panel]\nlisten = \"192.0.2.1:1\"\n" +
		"[[meter]]\nname = \"k1\"\nport = \"tcp://127.0.0.1:9\"\nformat = \"fs9721\"\n"
	if err := os.WriteFile(bench, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	under := func(files ...*os.File) *server {
		s := &server{Cmd: command(t, "serve", "--bench", bench)}
		// LISTEN_PID is the daemon's own: a shell that becomes it knows that.
		s.Args = append([]string{"sh", "-c", `LISTEN_PID=$$ exec "$0" "$@"`, s.Path}, s.Args[1:]...)
		s.Path = "/bin/sh"
		s.Env = append(s.Env, "LISTEN_FDS="+strconv.Itoa(len(files)))
		s.ExtraFiles = files
		s.Stdout, s.Stderr = s, s
		if err := s.Start(); err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := under(tcp)
	// Whoever asks before the daemon is up waits, and is refused by nobody.
	s.url = "http://" + l.Addr().String() + "/"
	if st := s.state(t); st.Bench != "north" {
		t.Errorf("the panel on the given socket: bench %q", st.Bench)
	}
	s.stop(t)

	s = under(file(udp.(*net.UDPConn).File()))
	if err := s.Wait(); err == nil || !strings.Contains(s.logged(), "socket 1 of the socket unit is no listening TCP socket") {
		t.Errorf("a UDP socket: %v\n%s", err, s.logged())
	}
}
