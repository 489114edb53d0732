package port

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// serialServer is an RFC 2217 server. It does as it should, except where a test
// wants otherwise. Its Write is what comes from the line, its Read what goes to it.
type serialServer struct {
	greeting string                                  // sent at once
	deaf     bool                                    // nothing after the greeting
	hangsUp  bool                                    // after the greeting
	refuses  []string                                // of what it is told, "WILL 0"
	confirms func(command byte, value []byte) []byte // what it says that now holds; nil says nothing

	send chan []byte   // to the client
	hang func()        // hangs up
	line chan []byte   // data to the line
	told []string      // what the client said, in order: "WILL 0", "1:00000960"
	done chan struct{} // the client has gone
}

var verbs = map[byte]string{telnetWILL: "WILL", telnetWONT: "WONT", telnetDO: "DO", telnetDONT: "DONT"}

// agreement and refusal are what a telnet host answers.
var (
	agreement = map[byte]byte{telnetWILL: telnetDO, telnetDO: telnetWILL}
	refusal   = map[byte]byte{telnetWILL: telnetDONT, telnetDO: telnetWONT}
)

// serve begins to talk to a client.
func (s *serialServer) serve(c net.Conn) {
	s.send, s.line, s.done = make(chan []byte, 64), make(chan []byte, 64), make(chan struct{})
	s.hang = sync.OnceFunc(func() { close(s.send) })
	go func() {
		for b := range s.send {
			c.Write(b)
		}
		c.Close()
	}()
	if s.greeting != "" {
		s.send <- []byte(s.greeting)
	}
	if s.hangsUp {
		s.hang()
	}
	go func() {
		defer close(s.done)
		var in telnet
		buf := make([]byte, 256)
		for {
			n, err := c.Read(buf)
			data, _ := in.feed(buf[:n], s.command)
			if len(data) > 0 {
				s.line <- slices.Clone(data)
			}
			if err != nil {
				s.hang()
				return
			}
		}
	}()
}

func (s *serialServer) command(verb, option byte, value []byte) error {
	if s.deaf || s.hangsUp {
		return nil
	}
	if verb == telnetSB {
		s.told = append(s.told, fmt.Sprintf("%d:%x", value[0], value[1:]))
		holds := value[1:]
		if s.confirms != nil {
			holds = s.confirms(value[0], value[1:])
		}
		if holds != nil {
			s.send <- comPort(value[0]+confirmed, holds...)
		}
		return nil
	}
	what := fmt.Sprint(verbs[verb], " ", option)
	s.told = append(s.told, what)
	answer := agreement
	if slices.Contains(s.refuses, what) {
		answer = refusal
	}
	if answer[verb] != 0 {
		s.send <- []byte{telnetIAC, answer[verb], option}
	}
	return nil
}

func (s *serialServer) Write(p []byte) (int, error) {
	s.send <- escape(p)
	return len(p), nil
}

func (s *serialServer) Read(p []byte) (int, error) { return copy(p, <-s.line), nil }

const rfc2217Spec = "rfc2217://192.0.2.7:2217"

// connect opens s through a pipe, for use with a false clock.
func (s *serialServer) connect(t *testing.T, line string) (*rfc2217Conn, error) {
	t.Helper()
	l, err := ParseLine(line)
	if err != nil {
		t.Fatal(err)
	}
	near, far := net.Pipe()
	s.serve(far)
	c := &rfc2217Conn{tcpConn: &tcpConn{Conn: near, spec: rfc2217Spec, timeout: -1}, settings: l.settings()}
	t.Cleanup(func() {
		c.Close()
		<-s.done
	})
	return c, c.begin(t.Context())
}

// The numbers are RFC 2217's, from memory.
func TestRFC2217Settings(t *testing.T) {
	const negotiation = "WILL 0,DO 0,WILL 3,DO 3,WILL 44,DO 44,"
	for line, want := range map[string]string{
		"2400 8N1":          "2:08,3:01,4:01,5:01,5:09,5:0c,1:00000960,12:03",
		"19200 7O1 dtr":     "2:07,3:02,4:01,5:01,5:08,5:0c,1:00004b00,12:03",
		"1200 7E2 rts":      "2:07,3:03,4:02,5:01,5:09,5:0b,1:000004b0,12:03",
		"600 5M1.5 dtr rts": "2:05,3:04,4:03,5:01,5:08,5:0b,1:00000258,12:03",
		"65280 6S1":         "2:06,3:05,4:01,5:01,5:09,5:0c,1:0000ff00,12:03", // an FF in the speed
	} {
		synctest.Test(t, func(t *testing.T) {
			var s serialServer
			if _, err := s.connect(t, line); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
			if got := strings.Join(s.told, ","); got != negotiation+want {
				t.Errorf("line %s: told\n%s, want\n%s", line, got, negotiation+want)
			}
		})
	}
}

// answering confirms everything, but a command in its own way.
func answering(command byte, value []byte, holds []byte) func(byte, []byte) []byte {
	return func(c byte, v []byte) []byte {
		if c == command && (value == nil || string(v) == string(value)) {
			return holds
		}
		return v
	}
}

func TestRFC2217Refusals(t *testing.T) {
	const changed = ": it cannot do that, or another client has changed it"
	const binary = "the serial server refuses to pass bytes unchanged (telnet's binary option): switch it on there"
	silent := func(c byte, v []byte) func(byte, []byte) []byte { return answering(c, v, nil) }
	for name, c := range map[string]struct {
		server serialServer
		line   string
		cause  error
		text   string // empty: it opens
		takes  time.Duration
	}{
		"nothing said": {serialServer{deaf: true}, "2400 8N1", os.ErrDeadlineExceeded,
			"no RFC 2217 answer within 3s: is this a raw port? write tcp://192.0.2.7:2217", answerTimeout},
		"a raw port on which a meter talks": {serialServer{deaf: true, greeting: strings.Repeat("38.2 mV\r\n", 100)}, "2400 8N1", os.ErrDeadlineExceeded,
			"no RFC 2217 answer within 3s: is this a raw port? write tcp://192.0.2.7:2217", answerTimeout},
		"hung up": {serialServer{hangsUp: true}, "2400 8N1", ErrGone, "the serial server hung up at once: does another client have the port?", 0},
		"hung up with a reason": {serialServer{hangsUp: true, greeting: "\xff\xfb\x03Port already in use\r\n"}, "2400 8N1", ErrGone,
			`the serial server hung up at once, saying "Port already in use": does another client have the port?`, 0},
		"telnet without RFC 2217": {serialServer{refuses: []string{"WILL 44"}}, "2400 8N1", errors.ErrUnsupported,
			"the serial server refuses RFC 2217: switch it on there, or set the line there and write tcp://192.0.2.7:2217", 0},
		"not the other way": {serialServer{refuses: []string{"DO 44"}}, "2400 8N1", nil, "", 0},
		"with go-ahead":     {serialServer{refuses: []string{"WILL 3", "DO 3"}}, "2400 8N1", nil, "", 0},
		"no binary to it":   {serialServer{refuses: []string{"WILL 0"}}, "2400 8N1", errors.ErrUnsupported, binary, 0},
		"no binary from it": {serialServer{refuses: []string{"DO 0"}}, "2400 8N1", errors.ErrUnsupported, binary, 0},
		"endless": {serialServer{greeting: "\xff\xfa" + strings.Repeat(",", 2000)}, "2400 8N1", errLongSub,
			"the serial server sends a telnet subnegotiation that does not end: is this a raw port? write tcp://192.0.2.7:2217", 0},
		"another speed":      {serialServer{confirms: answering(setBaud, nil, []byte{0, 0, 37, 128})}, "2400 8N1", ErrLine, "asked for 2400 bit/s, the serial server answers 9600 bit/s" + changed, 0},
		"a short speed":      {serialServer{confirms: answering(setBaud, nil, []byte{9, 96})}, "2400 8N1", ErrLine, "asked for 2400 bit/s, the serial server answers bytes 09 60" + changed, 0},
		"other data bits":    {serialServer{confirms: answering(setDataBits, nil, []byte{8})}, "2400 7N1", ErrLine, "asked for 7 data bits, the serial server answers 8 data bits" + changed, 0},
		"another parity":     {serialServer{confirms: answering(setParity, nil, []byte{1})}, "2400 8M1", ErrLine, "asked for parity M, the serial server answers parity N" + changed, 0},
		"a parity unheard":   {serialServer{confirms: answering(setParity, nil, []byte{9})}, "2400 8O1", ErrLine, "asked for parity O, the serial server answers bytes 09" + changed, 0},
		"other stop bits":    {serialServer{confirms: answering(setStopBits, nil, []byte{2})}, "2400 8N1.5", ErrLine, "asked for 1.5 stop bits, the serial server answers 2 stop bits" + changed, 0},
		"flow control":       {serialServer{confirms: answering(setControl, []byte{1}, []byte{3})}, "2400 8N1", ErrLine, "asked for no flow control, the serial server answers RTS/CTS flow control" + changed, 0},
		"DTR stuck on":       {serialServer{confirms: answering(setControl, []byte{9}, []byte{8})}, "2400 8N1", ErrLine, "asked for DTR off, the serial server answers DTR on" + changed, 0},
		"RTS stuck off":      {serialServer{confirms: answering(setControl, []byte{11}, []byte{12})}, "2400 8N1 rts", ErrLine, "asked for RTS on, the serial server answers RTS off" + changed, 0},
		"no DTR, not wanted": {serialServer{confirms: silent(setControl, []byte{9})}, "2400 8N1", nil, "", 0},
		"no DTR, but wanted": {serialServer{confirms: silent(setControl, []byte{8})}, "2400 8N1 dtr", os.ErrDeadlineExceeded,
			"the serial server does not confirm DTR on within 3s: can it do this line setting?", answerTimeout},
		"1.5 stop bits unheard": {serialServer{confirms: silent(setStopBits, nil)}, "2400 8N1.5", os.ErrDeadlineExceeded,
			"the serial server does not confirm 1.5 stop bits within 3s: can it do this line setting?", answerTimeout},
		"purge unheard": {serialServer{confirms: silent(purgeData, nil)}, "2400 8N1", nil, "", 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				_, err := c.server.connect(t, c.line)
				if took := time.Since(start); took != c.takes {
					t.Errorf("took %v, want %v", took, c.takes)
				}
				if c.text == "" {
					if err != nil {
						t.Error(err)
					}
				} else if !errors.Is(err, c.cause) || err.Error() != rfc2217Spec+": "+c.text {
					t.Errorf("error\n%v, want\n%s", err, c.text)
				}
			})
		})
	}
}

func TestRFC2217GivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		s := serialServer{deaf: true}
		s.serve(far)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		c := &rfc2217Conn{tcpConn: &tcpConn{Conn: near, spec: rfc2217Spec}}
		if err := c.begin(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
		<-s.done
	})
}

// What the server says in between is neither data nor the end of a wait.
func TestRFC2217Talk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s serialServer
		c, err := s.connect(t, "2400 8N1")
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			for range 9 {
				time.Sleep(100 * time.Millisecond)
				s.send <- []byte("\xff\xf1" + string(comPort(107, 0xb0))) // NOP, the modem lines changed
			}
			time.Sleep(300 * time.Millisecond)
			s.send <- []byte("38\xff")
			time.Sleep(300 * time.Millisecond)
			s.send <- []byte("\xff.\xff\xfd\x182\xff\xfb\x01") // DO terminal type, WILL echo
		}()
		if err := c.SetReadTimeout(time.Second); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 64)
		start := time.Now()
		if n, err := c.Read(buf); n != 0 || err != nil || time.Since(start) != time.Second {
			t.Errorf("read %q, %v, after %v", buf[:n], err, time.Since(start))
		}
		var got []string
		for range 2 {
			n, err := c.Read(buf)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, string(buf[:n]))
		}
		synctest.Wait()
		if want := []string{"38", "\xff.2"}; !cmp.Equal(got, want) {
			t.Errorf("read %q, want %q", got, want)
		}
		if got, want := s.told[len(s.told)-2:], []string{"WONT 24", "DONT 1"}; !cmp.Equal(got, want) {
			t.Errorf("said %q, want %q", got, want)
		}
		s.send <- comPort(setBaud+confirmed, 0, 0, 37, 128)
		want := rfc2217Spec + ": asked for 2400 bit/s, the serial server answers 9600 bit/s: it cannot do that, or another client has changed it"
		if _, err := c.Read(buf); !errors.Is(err, ErrLine) || err.Error() != want {
			t.Errorf("the line was changed: %v, want %s", err, want)
		}
	})
}

// openServer opens s through a socket.
func openServer(t *testing.T, s *serialServer, line string) (c Conn, spec string) {
	t.Helper()
	spec, accepted := server(t)
	spec = strings.Replace(spec, "tcp:", "rfc2217:", 1)
	ready := make(chan struct{})
	go func() {
		s.serve(<-accepted)
		close(ready)
	}()
	c, err := Open(t.Context(), spec, line)
	if err != nil {
		t.Fatal(err)
	}
	<-ready
	t.Cleanup(func() {
		c.Close()
		<-s.done
	})
	return c, spec
}

func TestRFC2217(t *testing.T) {
	for line, mask := range map[string]byte{"2400 8N1": 0xff, "19200 7O1": 0x7f} {
		var s serialServer
		c, spec := openServer(t, &s, line)
		exercise(t, c, &s, mask)
		if n, err := c.Write([]byte("a\xff\xff\r\x00")); n != 5 || err != nil {
			t.Errorf("wrote %d, %v", n, err)
		}
		buf := make([]byte, 8)
		if n, _ := s.Read(buf); string(buf[:n]) != "a\xff\xff\r\x00" {
			t.Errorf("the server has % x", buf[:n])
		}
		s.hang()
		if _, err := c.Read(buf); !errors.Is(err, ErrGone) || err.Error() != spec+": the other end closed the connection" {
			t.Errorf("after the server hung up: %v", err)
		}
	}
}

func TestRFC2217CloseUnblocksRead(t *testing.T) {
	var s serialServer
	c, _ := openServer(t, &s, "2400 8N1")
	closeUnblocksRead(t, c)
	if _, err := c.Write([]byte("x")); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("Write: %v", err)
	}
}

// A server may say anything: no panic, no data out of nothing, errors of one
// line, and nothing confirmed twice over.
func FuzzRFC2217(f *testing.F) {
	for _, s := range []string{"", "fffb00fffd00fffd2c", "fffd2cfffa2c6500000960fff0", "fffa2c6909fff0fffa2c69fff0", "fffa2cfff0fffe00", "fffa2c66fff0"} {
		b, err := hex.DecodeString(s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		l := Line{Baud: 2400, DataBits: 8, Parity: 'N', StopBits: 1}
		near, far := net.Pipe()
		go io.Copy(io.Discard, far)
		defer far.Close()
		c := &rfc2217Conn{tcpConn: &tcpConn{Conn: near, spec: rfc2217Spec}, settings: l.settings(), unconfirmed: l.settings()}
		data, err := c.take(slices.Clone(p))
		if len(data) > len(p) {
			t.Errorf("%d bytes gave %d", len(p), len(data))
		}
		if e, ok := errors.AsType[*Error](err); err != nil && (!ok || e.Spec != rfc2217Spec || strings.ContainsAny(e.Text, "\r\n")) {
			t.Errorf("error %v", err)
		}
		if least := len(l.settings()) - strings.Count(string(p), "\xff\xfa"); len(c.unconfirmed) < least {
			t.Errorf("%d unconfirmed, want at least %d", len(c.unconfirmed), least)
		}
	})
}

// A modem line is driven while the port is open: each level is asked for in
// RFC 2217's numbers and confirmed; what the line says meanwhile is thrown away,
// and not taken for the port's last word.
func TestRFC2217Lines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var stuck atomic.Bool
		s := serialServer{confirms: func(c byte, v []byte) []byte {
			if stuck.Load() {
				return []byte{9}
			}
			return v
		}}
		c, err := s.connect(t, "9600 8N1 dtr")
		if err != nil {
			t.Fatal(err)
		}
		var m ModemLines = c
		synctest.Wait()
		asked := len(s.told)
		io.WriteString(&s, "hello")
		for _, up := range []bool{false, true, true, false} {
			if err := errors.Join(m.SetDTR(up), m.SetRTS(!up)); err != nil {
				t.Fatal(err)
			}
		}
		synctest.Wait()
		if got := strings.Join(s.told[asked:], ","); got != "5:09,5:0b,5:08,5:0c,5:08,5:0c,5:09,5:0b" {
			t.Errorf("told %s", got)
		}
		stuck.Store(true)
		if err := m.SetDTR(true); !errors.Is(err, ErrLine) || !strings.Contains(err.Error(), "asked for DTR on, the serial server answers DTR off") {
			t.Errorf("stuck: %v", err)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		var mute atomic.Bool
		s := serialServer{confirms: func(c byte, v []byte) []byte {
			if mute.Load() {
				return nil
			}
			return v
		}}
		c, err := s.connect(t, "9600 8N1 rts")
		if err != nil {
			t.Fatal(err)
		}
		mute.Store(true)
		began := time.Now()
		if err := c.SetRTS(false); !errors.Is(err, os.ErrDeadlineExceeded) || !strings.Contains(err.Error(), "does not confirm RTS off within 3s") {
			t.Errorf("mute: %v", err)
		}
		if took := time.Since(began); took != answerTimeout {
			t.Errorf("given up after %v", took)
		}
	})
}
