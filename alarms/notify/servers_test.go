package notify

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	netmail "net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/emersion/go-smtp"
)

// got is a message as its receiver saw it.
type got struct {
	id     string
	again  bool
	alarms []string // subjects, in order
}

// inbox is what has arrived, in order.
type inbox struct {
	mu  sync.Mutex
	all []got
	no  fault // what the receiver itself does wrong with the next
}

func (b *inbox) put(g got) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all = append(b.all, g)
}

func (b *inbox) refuses() fault {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.no
}

func (b *inbox) refuse(f fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.no = f
}

// marker is in the answer that says a message was taken.
const marker = "TAKEN-BY-THE-TEST"

func hasMarker(b []byte) bool { return bytes.Contains(b, []byte(marker)) }

// subjects finds "HIGH: over-dissipation X" in a text, in order.
func subjects(text string) []string {
	var out []string
	for _, line := range strings.Split(text, "\n") {
		if s, ok := strings.CutSuffix(strings.TrimSpace(line), " has over-dissipation"); ok && strings.HasPrefix(s, "HIGH: ") {
			out = append(out, strings.TrimPrefix(s, "HIGH: "))
		}
	}
	return out
}

// mailServer is a real SMTP server: the library emersion/go-smtp on loopback.
type mailServer struct {
	inbox
	raw []string
}

func (s *mailServer) NewSession(*smtp.Conn) (smtp.Session, error) { return &mailSession{s: s}, nil }

type mailSession struct{ s *mailServer }

func (m *mailSession) Reset()        {}
func (m *mailSession) Logout() error { return nil }
func (m *mailSession) Mail(string, *smtp.MailOptions) error {
	if m.s.refuses() == says4xx {
		return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "come back later"}
	}
	return nil
}
func (m *mailSession) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (m *mailSession) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if m.s.refuses() == says5xx {
		return &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "not this one"}
	}
	msg, err := netmail.ReadMessage(bytes.NewReader(b))
	if err != nil {
		return err
	}
	body, err := decodeBody(msg)
	if err != nil {
		return err
	}
	m.s.mu.Lock()
	m.s.raw = append(m.s.raw, string(b))
	m.s.mu.Unlock()
	m.s.put(got{id: msg.Header.Get("Message-ID"), again: msg.Header.Get("X-Nightsoak-Again") == "yes", alarms: subjects(body)})
	return &smtp.SMTPError{Code: 250, EnhancedCode: smtp.EnhancedCode{2, 0, 0}, Message: marker}
}

func startMail(t testing.TB) (*mailServer, string) {
	s := &mailServer{}
	srv := smtp.NewServer(s)
	srv.Domain, srv.ErrorLog = "mail.example", log.New(io.Discard, "", 0)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go srv.Serve(l)
	t.Cleanup(func() { srv.Close() })
	return s, l.Addr().String()
}

// hook is a webhook's receiver.
func startHook(t testing.TB) (*inbox, string) {
	b := &inbox{}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return // reset midway: there is nobody to answer
		}
		switch b.refuses() {
		case says4xx:
			http.Error(w, "too many", http.StatusTooManyRequests)
			return
		case says5xx:
			http.Error(w, "down", http.StatusServiceUnavailable)
			return
		}
		g, err := fromJSON(body)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		b.put(g)
		fmt.Fprint(w, marker)
	}))
	srv.Config.ErrorLog = log.New(io.Discard, "", 0)
	t.Cleanup(srv.Close)
	return b, srv.Listener.Addr().String()
}

func fromJSON(b []byte) (got, error) {
	var m struct {
		ID    string `json:"message_id"`
		Again bool   `json:"again"`
		Body  string `json:"body"`
	}
	if err := json.Unmarshal(b, &m); err != nil {
		return got{}, err
	}
	if m.ID == "" {
		return got{}, errors.New("no id")
	}
	return got{id: m.ID, again: m.Again, alarms: subjects(m.Body)}, nil
}

// bell is a command's side: a script that keeps what it is given, and does
// wrong what the file "fault" says.
type bell struct {
	t   testing.TB
	dir string
}

const bellScript = `cd "$1" || exit 9
f=$(cat fault)
[ "$f" = hangs ] && sleep 60
[ "$f" = 4xx ] && exit 1
[ "$f" = "resets midway" ] && { dd bs=40 count=1 of=/dev/null 2>/dev/null; kill -9 $$; }
cat >> log
[ "$f" = 5xx ] && exit 1
[ "$f" = "answer lost" ] && sleep 60
exit 0
`

func startBell(t testing.TB) (*bell, []string) {
	b := &bell{t: t, dir: t.TempDir()}
	script := filepath.Join(b.dir, "bell.sh")
	if err := os.WriteFile(script, []byte(bellScript), 0o600); err != nil {
		t.Fatal(err)
	}
	b.set(well)
	return b, []string{"/bin/sh", script, b.dir}
}

func (b *bell) set(f fault) {
	path := filepath.Join(b.dir, "fault")
	if err := os.WriteFile(path+".new", []byte(f.String()), 0o600); err != nil {
		b.t.Fatal(err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		b.t.Fatal(err)
	}
}

// heard is what has been rung, in order.
func (b *bell) heard() []got {
	text, err := os.ReadFile(filepath.Join(b.dir, "log"))
	if err != nil {
		return nil
	}
	var all []got
	for line := range bytes.Lines(text) {
		g, err := fromJSON(line)
		if err != nil {
			b.t.Errorf("not JSON: %q", line)
		}
		all = append(all, g)
	}
	return all
}

// mailURL is a channel's URL for a server on loopback.
func mailURL(addr string) string {
	return "smtp://" + addr + "/?from=bench@mail.example&to=tech@mail.example"
}
