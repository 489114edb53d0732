package notify

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"testing"
	"time"
)

// fault is what goes wrong with one try.
type fault int

const (
	well    fault = iota
	refused       // nobody listens
	hangs         // the server takes the connection and says nothing
	resets        // the connection is reset midway of what is sent
	mute          // all is received, the answer is lost in a reset
	says4xx       // the server says no: 451 of SMTP, 429 of HTTP, exit 1 before it did anything
	says5xx       // 554 of SMTP, 503 of HTTP, exit 1 after it told
	killed        // the daemon dies between delivery and noting it
	faults        // how many there are
)

func (f fault) String() string {
	return [...]string{"well", "refused", "hangs", "resets midway", "answer lost", "4xx", "5xx", "killed"}[f]
}

// proxy stands before a real server and does to a connection what a bad network does.
type proxy struct {
	to   string
	addr string

	mu    sync.Mutex
	l     net.Listener
	fault fault
	cut   int // bytes after which resets resets
}

func newProxy(t testing.TB, to string) *proxy {
	p := &proxy{to: to}
	// Below the ports that systems give to clients: while nobody listens here,
	// no other test's client must get the port.
	var l net.Listener
	var err error
	for range 100 {
		if l, err = net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 15000+rand.IntN(15000))); err == nil {
			break
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	p.addr, p.l = l.Addr().String(), l
	go p.serve(l)
	t.Cleanup(func() { p.set(t, refused, 0) })
	return p
}

// set makes the next connections suffer f.
func (p *proxy) set(t testing.TB, f fault, cut int) {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fault, p.cut = f, cut
	switch {
	case f == refused && p.l != nil:
		p.l.Close()
		p.l = nil
	case f != refused && p.l == nil:
		l, err := net.Listen("tcp", p.addr)
		if err != nil {
			t.Fatal(err)
		}
		p.l = l
		go p.serve(l)
	}
}

func (p *proxy) serve(l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		f, cut := p.fault, p.cut
		p.mu.Unlock()
		go p.pass(c.(*net.TCPConn), f, cut)
	}
}

func (p *proxy) pass(c *net.TCPConn, f fault, cut int) {
	defer c.Close()
	if f == hangs {
		c.SetReadDeadline(time.Now().Add(10 * time.Second))
		io.Copy(io.Discard, c) // until the client gives up
		return
	}
	s, err := net.Dial("tcp", p.to)
	if err != nil {
		return
	}
	defer s.Close()
	var once sync.Once
	reset := func() {
		once.Do(func() {
			c.SetLinger(0) // RST instead of FIN
			c.Close()
			s.Close()
		})
	}
	go func() {
		defer reset()
		if f == resets {
			io.CopyN(s, c, int64(cut))
			return
		}
		io.Copy(s, c)
		s.(*net.TCPConn).CloseWrite()
	}()
	if f == mute {
		// Until the server has the message, which it says by the marker that the
		// test's servers put into their last answer, nothing is held back.
		buf := make([]byte, 4096)
		for {
			n, err := s.Read(buf)
			if err != nil || hasMarker(buf[:n]) {
				reset()
				return
			}
			c.Write(buf[:n])
		}
	}
	io.Copy(c, s)
	c.CloseWrite()
}
