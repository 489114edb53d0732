package cutoff

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os/exec"
	"strings"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/drivers/modbus"
)

// way is how the mains are reached. It is used by one goroutine.
type way interface {
	// drop makes one attempt within ctx; nil says that it was taken.
	drop(ctx context.Context) error
	// hold sends the hold once.
	hold(ctx context.Context) error
	// ready looks, dropping and holding nothing, whether the way is there.
	ready(ctx context.Context) error
	// holdsOnce says that there is a hold, sent once when armed.
	holdsOnce() bool
	close()
}

func newWay(c *bench.Cutoff) (way, error) {
	switch c.By {
	case "line":
		return &line{ported: ported{spec: c.Port, line: "9600 8N1 " + c.Line}, rts: c.Line == "rts"}, nil
	case "bytes":
		return &relay{ported: ported{spec: c.Port, line: atPort(c.Port, c.Serial)}, c: c}, nil
	case "modbus":
		return &coil{ported: ported{spec: c.Port, line: atPort(c.Port, c.Serial)}, c: c}, nil
	case "command":
		return &command{c.Command}, nil
	}
	return newCall(c)
}

// ported is a way that has a port: opened when needed, and again after an error.
type ported struct {
	spec, line string
	conn       port.Conn
}

// open opens the port if it is not open.
func (p *ported) open(ctx context.Context) error {
	if p.conn != nil {
		return nil
	}
	c, err := port.Open(ctx, p.spec, p.line)
	if err != nil {
		return err
	}
	p.conn = c
	return nil
}

// with does something at the open port, which an error closes.
func (p *ported) with(ctx context.Context, do func(port.Conn) error) error {
	err := p.open(ctx)
	if err == nil {
		err = do(p.conn)
	}
	if err != nil {
		p.close()
	}
	return err
}

// ready opens the port and takes what came, which finds a port that is gone.
func (p *ported) ready(ctx context.Context) error {
	return p.with(ctx, func(c port.Conn) error {
		err := c.SetReadTimeout(0)
		if err == nil {
			_, err = c.Read(make([]byte, 256))
		}
		return err
	})
}

func (p *ported) close() {
	if p.conn != nil {
		_ = p.conn.Close() // nothing is left to be written
		p.conn = nil
	}
}

// line drives a modem line. An adaptor holds as long as edges come.
type line struct {
	ported
	rts, up bool
}

func (l *line) set(up bool) func(port.Conn) error {
	return func(c port.Conn) error {
		m, ok := c.(port.ModemLines)
		if !ok {
			return fmt.Errorf("%s: this kind of port has no modem lines", l.spec)
		}
		if l.rts {
			return m.SetRTS(up)
		}
		return m.SetDTR(up)
	}
}

func (l *line) hold(ctx context.Context) error {
	l.up = !l.up
	return l.with(ctx, l.set(l.up))
}

// drop needs no answer: without edges the adaptor lets go, whatever the level,
// and with the port closed there will be none.
func (l *line) drop(ctx context.Context) error {
	if l.conn != nil {
		_ = l.with(ctx, l.set(false))
	}
	l.close()
	return nil
}

// ready does not open the port: opening moves the line.
func (l *line) ready(context.Context) error { return nil }

func (l *line) holdsOnce() bool { return false }

// relay is a board that takes bytes.
type relay struct {
	ported
	c *bench.Cutoff
}

func (r *relay) holdsOnce() bool { return len(r.c.Hold) > 0 && r.c.HoldEvery == 0 }

func (r *relay) hold(ctx context.Context) error {
	return r.with(ctx, func(c port.Conn) error {
		_, err := c.Write(r.c.Hold)
		if err == nil {
			err = forget(c)
		}
		return err
	})
}

// forget throws away what came: answers to the hold are not waited for.
func forget(c port.Conn) error {
	if err := c.SetReadTimeout(0); err != nil {
		return err
	}
	_, err := c.Read(make([]byte, 256))
	return err
}

func (r *relay) drop(ctx context.Context) error {
	return r.with(ctx, func(c port.Conn) error {
		if _, err := c.Write(r.c.Drop); err != nil || len(r.c.Reply) == 0 {
			return err
		}
		got := make([]byte, 0, 1024)
		for {
			deadline, _ := ctx.Deadline()
			left := time.Until(deadline)
			if left <= 0 {
				return fmt.Errorf("%s: the relay board answers % X and not % X: look at drop, reply and serial, and whether it is on", r.spec, got, r.c.Reply)
			}
			if err := c.SetReadTimeout(left); err != nil {
				return err
			}
			if len(got) == cap(got) {
				got = append(got[:0], got[cap(got)/2:]...)
			}
			n, err := c.Read(got[len(got):cap(got)])
			if err != nil {
				return err
			}
			if got = got[:len(got)+n]; bytes.Contains(got, r.c.Reply) {
				return nil
			}
		}
	})
}

// coil is a relay behind Modbus.
type coil struct {
	ported
	c *bench.Cutoff
}

func (k *coil) holdsOnce() bool { return k.c.HoldEvery == 0 }

func (k *coil) write(ctx context.Context, on bool) error {
	return k.with(ctx, func(c port.Conn) error {
		// Four waits at most: two exchanges, each with as long for what is late.
		return modbus.WriteCoil(c, modbus.Coil{TCP: k.c.TCP, Address: k.c.Address, Coil: k.c.Coil}, on, k.c.Timeout/4)
	})
}

func (k *coil) hold(ctx context.Context) error { return k.write(ctx, !k.c.DropOn) }
func (k *coil) drop(ctx context.Context) error { return k.write(ctx, k.c.DropOn) }

// command is a program with its arguments, without a shell.
type command struct{ argv []string }

func (c *command) drop(ctx context.Context) error {
	cmd := exec.CommandContext(ctx, c.argv[0], c.argv[1:]...)
	cmd.WaitDelay = 100 * time.Millisecond // for what it leaves behind with its output open
	var said tail
	cmd.Stdout, cmd.Stderr = &said, &said
	err := cmd.Run()
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("command %s: not done in time: is the timeout too short?", c.argv[0])
	case err != nil:
		return fmt.Errorf("command %s: %w%s", c.argv[0], err, said.words())
	}
	return nil
}

func (c *command) hold(context.Context) error { return nil }
func (c *command) holdsOnce() bool            { return false }
func (c *command) close()                     {}

func (c *command) ready(context.Context) error {
	if _, err := exec.LookPath(c.argv[0]); err != nil {
		return fmt.Errorf("command: %w", err)
	}
	return nil
}

// tail keeps the last 200 bytes written to it.
type tail struct{ b []byte }

func (t *tail) Write(p []byte) (int, error) {
	t.b = append(t.b, p...)
	t.b = t.b[max(0, len(t.b)-200):]
	return len(p), nil
}

func (t *tail) words() string {
	if w := strings.Join(strings.Fields(strings.ToValidUTF8(string(t.b), "?")), " "); w != "" {
		return ": " + w
	}
	return ""
}

// call is an HTTP request. The URL may be a secret: no error shows it.
type call struct {
	c          *bench.Cutoff
	url, token bench.Secret
	client     http.Client
}

func newCall(c *bench.Cutoff) (*call, error) {
	w := &call{c: c, url: bench.NewSecret(c.URL)}
	// A redirect has not been carried out by anyone.
	w.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	for _, s := range []struct {
		file string
		into *bench.Secret
	}{{c.URLFile, &w.url}, {c.TokenFile, &w.token}} {
		if s.file == "" {
			continue
		}
		var err error
		if *s.into, err = bench.ReadSecret(s.file); err != nil {
			return nil, err
		}
	}
	if _, err := http.NewRequest(c.Method, w.url.Reveal(), nil); err != nil {
		return nil, fmt.Errorf("%s does not hold a URL", c.URLFile)
	}
	return w, nil
}

func (w *call) drop(ctx context.Context) error {
	req, err := http.NewRequestWithContext(ctx, w.c.Method, w.url.Reveal(), strings.NewReader(w.c.Body))
	if err != nil {
		return errors.New("http: the URL cannot be asked for")
	}
	if token := w.token.Reveal(); token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	resp, err := w.client.Do(req)
	if err != nil {
		if u, ok := errors.AsType[*url.Error](err); ok {
			err = u.Err
		}
		return fmt.Errorf("http: %w", err)
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, mostSaid)) // the status is the answer
	if resp.StatusCode/100 != 2 {
		return fmt.Errorf("http: answered %s%s", resp.Status, w.words(text))
	}
	return nil
}

// mostSaid is more than any relay has to say of itself, in bytes.
const mostSaid = 4 << 10

// words are the end of what the other side said, without the token and, where the
// address is in a file of its own, without that: it may say both back.
func (w *call) words(said []byte) string {
	if len(said) >= mostSaid {
		return "" // cut off in the middle of a secret, no search would find it
	}
	hide := []string{w.token.Reveal()}
	if u, err := url.Parse(w.url.Reveal()); err == nil && w.c.URLFile != "" {
		hide = append(hide, w.url.Reveal(), u.RequestURI(), u.Path, u.RawQuery, u.User.String())
	}
	for _, h := range hide {
		if len(h) > 1 {
			said = bytes.ReplaceAll(said, []byte(h), []byte("(secret)"))
		}
	}
	var end tail
	end.Write(said)
	return end.words()
}

func (w *call) hold(context.Context) error  { return nil }
func (w *call) ready(context.Context) error { return nil }
func (w *call) holdsOnce() bool             { return false }
func (w *call) close()                      { w.client.CloseIdleConnections() }
