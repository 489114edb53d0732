package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/emulate"
)

// The tests run the real program: this test binary, told to be nightsoak.
const beNightsoak = "NIGHTSOAK_TEST_MAIN"

// roles are other programs that this one can be told to be: by an environment
// variable, whose value they are given.
var roles = map[string]func(arg string){}

func TestMain(m *testing.M) {
	if os.Getenv(beNightsoak) != "" {
		main()
	}
	for name, role := range roles {
		if arg := os.Getenv(name); arg != "" {
			role(arg)
		}
	}
	os.Exit(m.Run())
}

// command is nightsoak with arguments, killed when the test ends.
func command(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	c := exec.CommandContext(ctx, self, args...)
	c.Env = append(os.Environ(), beNightsoak+"=1", "XDG_DATA_HOME="+t.TempDir())
	return c
}

// nightsoak runs a command to its end.
func nightsoak(t *testing.T, args ...string) (out, errOut string, code int) {
	t.Helper()
	c := command(t, args...)
	var o, e bytes.Buffer
	c.Stdout, c.Stderr = &o, &e
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return o.String(), e.String(), c.ProcessState.ExitCode()
}

// must is nightsoak for a command that succeeds.
func must(t *testing.T, args ...string) string {
	t.Helper()
	out, errOut, code := nightsoak(t, args...)
	if code != 0 {
		t.Fatalf("nightsoak %s: status %d\n%s", strings.Join(args, " "), code, errOut)
	}
	return out
}

// rig is an emulated bench at life's pace in this process, with the two files
// that tell a daemon about it.
type rig struct {
	*emulate.Rig
	dir   string
	files []string // --bench FILE --job FILE
}

func newRig(t *testing.T) *rig {
	t.Helper()
	amp, err := emulate.NewAmp(emulate.Config{Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	r, err := emulate.Start(context.Background(), acquire.NewClock(0, 1), amp, dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	b, j := filepath.Join(dir, "bench.toml"), filepath.Join(dir, "job.toml")
	if err := errors.Join(os.WriteFile(b, []byte(r.BenchTOML(dir, "127.0.0.1:0")), 0o600), os.WriteFile(j, []byte(emulate.JobTOML()), 0o600)); err != nil {
		t.Fatal(err)
	}
	return &rig{r, dir, []string{"--bench", b, "--job", j}}
}

// server is a running `nightsoak serve` or `nightsoak demo`.
type server struct {
	*exec.Cmd
	url, record string

	mu  sync.Mutex
	log bytes.Buffer
}

func (s *server) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.Write(p)
}

func (s *server) logged() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.String()
}

// apart, where there is one, puts a program to be started into a process group
// of its own.
var apart = func(*exec.Cmd) {}

// start starts a daemon and waits until it says where its panel is.
func start(t *testing.T, args ...string) *server {
	t.Helper()
	return startIn(t, nil, args...)
}

// startIn is start with more in the environment.
func startIn(t *testing.T, env []string, args ...string) *server {
	t.Helper()
	s := &server{Cmd: command(t, args...)}
	s.Env = append(s.Env, env...)
	apart(s.Cmd)
	s.Stderr = s
	out, err := s.StdoutPipe()
	if err == nil {
		err = s.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	r := bufio.NewReader(out)
	for s.record == "" {
		line, err := r.ReadString('\n')
		if err != nil {
			t.Fatalf("%s ended: %v\n%s", args[0], s.Wait(), s.logged())
		}
		if u, ok := strings.CutPrefix(line, "panel: "); ok {
			s.url = strings.TrimSpace(u)
		}
		if d, ok := strings.CutPrefix(line, "record: "); ok {
			s.record = strings.TrimSpace(d)
		}
		io.WriteString(s, line)
	}
	go io.Copy(s, r)
	return s
}

// get is one GET of the panel.
func (s *server) get(path string) ([]byte, error) {
	resp, err := http.Get(strings.TrimSuffix(s.url, "/") + path)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s: %s", path, resp.Status, b)
	}
	return b, err
}

func (s *server) state(t *testing.T) (st remoteState) {
	t.Helper()
	b, err := s.get("/api/state")
	if err == nil {
		err = json.Unmarshal(b, &st)
	}
	if err != nil {
		t.Fatalf("%v\n%s", err, s.logged())
	}
	return st
}

// until asks for the state until it is so; the deadline bounds failure only.
func (s *server) until(t *testing.T, what string, within time.Duration, so func(remoteState) bool) time.Duration {
	t.Helper()
	began := time.Now()
	for time.Since(began) < within {
		if so(s.state(t)) {
			return time.Since(began)
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("not within %v: %s\n%s", within, what, s.logged())
	return 0
}

// stop ends the daemon in good order.
func (s *server) stop(t *testing.T) {
	t.Helper()
	if err := s.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := s.Wait(); err != nil {
		t.Fatalf("on SIGTERM: %v\n%s", err, s.logged())
	}
}

// newest is the run time of the latest reading that a state knows of.
func (s *remoteState) newest() time.Duration {
	age := s.Run.T
	for _, m := range s.Meters {
		if m.Age != nil {
			age = min(age, *m.Age)
		}
	}
	return time.Duration((s.Run.T - age) * float64(time.Second))
}

func live(st remoteState) bool {
	for _, m := range st.Meters {
		if m.State != "ok" {
			return false
		}
	}
	return len(st.Meters) == 5
}

// stream reads the event stream until it has told a state.
func (s *server) stream(lastID string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, "GET", s.url+"api/events", nil)
	if err != nil {
		return "", err
	}
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	var b strings.Builder
	sc := bufio.NewScanner(resp.Body)
	sc.Buffer(nil, 1<<20)
	states := 0
	for states < 2 && sc.Scan() {
		b.WriteString(sc.Text() + "\n")
		if sc.Text() == "event: state" {
			states++
		}
	}
	return b.String(), sc.Err()
}
