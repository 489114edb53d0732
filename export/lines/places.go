package lines

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/klauspost/compress/gzip"

	"nightsoak/acquire/bench"
)

// maxPacket is the bytes in one UDP datagram: fits an Ethernet frame.
const maxPacket = 1400

// target makes name, deliver and shut of opts.To.
func (o *Outlet) target() error {
	o.shut = func() error { return nil }
	to := o.opts.To
	if _, err := precision(o.opts.Precision); err != nil {
		return err
	}
	if to == "stdout" {
		o.name, o.deliver = to, func(_ context.Context, b []byte) error { _, err := os.Stdout.Write(b); return err }
		return nil
	}
	if path, ok := strings.CutPrefix(to, "file:"); ok {
		f, err := openFile(path, o.opts.Rotate, o.opts.Keep)
		if err != nil {
			return err
		}
		o.name, o.deliver, o.shut = to, f.deliver, f.close
		return nil
	}
	if path, ok := strings.CutPrefix(to, "unix:"); ok && path != "" {
		s := &socketPlace{network: "unix", address: path}
		o.name, o.deliver, o.shut = to, s.deliver, s.close
		return nil
	}
	u, err := url.Parse(to)
	switch {
	case err != nil:
		return fmt.Errorf("%w: %w", ErrTarget, errors.Unwrap(err))
	case u.Scheme == "udp" && u.Port() != "":
		conn, err := net.Dial("udp", u.Host)
		if err != nil {
			return err
		}
		o.deliver, o.shut = toUDP(conn), conn.Close
	case u.Scheme == "tcp" && u.Port() != "":
		s := &socketPlace{network: "tcp", address: u.Host}
		o.deliver, o.shut = s.deliver, s.close
	case (u.Scheme == "http" || u.Scheme == "https") && u.Host != "" && strings.Trim(u.Path, "/") != "":
		o.deliver = toHTTP(withPrecision(u, o.opts.Precision), o.opts.TokenFile, o.opts.Gzip, o.opts.transport)
	default:
		return fmt.Errorf("%w: write file:PATH, stdout, unix:PATH, tcp://host:port, udp://host:port or for example http://host:8086/write?db=NAME", ErrTarget)
	}
	o.name = u.Scheme + "://" + u.Host + u.Path
	return nil
}

// redact is to without user, password and query.
func redact(to string) string {
	if u, err := url.Parse(to); err == nil && u.Host != "" {
		return u.Scheme + "://" + u.Host + u.Path
	}
	if at := strings.LastIndexByte(to, '@'); at >= 0 {
		to = "..." + to[at:]
	}
	to, _, _ = strings.Cut(to, "?")
	return to
}

// withPrecision names the precision to the server: version 1 calls it n, u, ms
// and s, version 2 ns, us, ms and s.
func withPrecision(u *url.URL, name string) string {
	if name == "" || name == "ns" {
		return u.String()
	}
	if name == "us" && !strings.Contains(u.Path, "/v2/") {
		name = "u"
	}
	v := *u
	q := v.Query()
	q.Set("precision", name)
	v.RawQuery = q.Encode()
	return v.String()
}

// filePlace appends whole batches to a file.
type filePlace struct {
	path   string
	rotate int64 // bytes; 0: never
	keep   int
	f      *os.File
	begun  bool // a batch has been written since it was opened
}

func openFile(path string, rotate int64, keep int) (*filePlace, error) {
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil && errors.Is(err, os.ErrPermission) { // one that may be written, not read
		f, err = os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	}
	if err != nil {
		return nil, err
	}
	return &filePlace{path: path, rotate: rotate, keep: keep, f: f}, nil
}

// deliver appends a batch: after a failed write the file is cut back to where
// it was, so that no half line stays. What a daemon that died had written of
// the first batch is not written again.
func (p *filePlace) deliver(_ context.Context, batch []byte) error {
	before, err := p.f.Stat()
	if err != nil {
		return err
	}
	regular := before.Mode().IsRegular()
	rest := batch
	if !p.begun && regular {
		rest = batch[p.overlap(batch, before.Size()):]
	} else if size := before.Size(); regular && p.rotate > 0 && size > 0 && size+int64(len(batch)) > p.rotate {
		if err := p.turn(); err != nil {
			return err
		}
		before, err = p.f.Stat()
		if err != nil {
			return err
		}
	}
	if _, err := p.f.Write(rest); err != nil {
		if regular {
			err = errors.Join(err, p.f.Truncate(before.Size()))
		}
		return err
	}
	p.begun = true
	return nil
}

// overlap is how many bytes at the end of the file are the beginning of batch.
func (p *filePlace) overlap(batch []byte, size int64) int {
	tail := make([]byte, min(size, int64(len(batch))))
	if n, err := p.f.ReadAt(tail, size-int64(len(tail))); n < len(tail) || err != nil && !errors.Is(err, io.EOF) {
		return 0
	}
	for n := len(tail); n > 0; n-- {
		if bytes.HasSuffix(tail, batch[:n]) {
			return n
		}
	}
	return 0
}

// turn makes the file PATH.1, what was that PATH.2, and so on, and opens a new one.
func (p *filePlace) turn() error {
	old := func(n int) string { return p.path + "." + strconv.Itoa(n) }
	for n := p.keep; n > 1; n-- {
		if err := os.Rename(old(n-1), old(n)); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	if err := p.f.Sync(); err != nil {
		return err
	}
	var err error
	if p.keep == 0 {
		err = os.Remove(p.path)
	} else {
		err = os.Rename(p.path, old(1))
	}
	if err != nil {
		return err
	}
	next, err := openFile(p.path, 0, 0)
	if err != nil {
		return err
	}
	err = p.f.Close()
	p.f = next.f
	return err
}

func (p *filePlace) close() error { return p.f.Close() }

// socketPlace is a byte stream: TCP or Unix. Nothing in it says that lines were
// taken; what the kernel has accepted counts as delivered.
type socketPlace struct {
	network, address string
	conn             net.Conn
	ended            chan struct{} // closed when the far end has closed
}

func (s *socketPlace) deliver(ctx context.Context, batch []byte) error {
	if s.conn != nil {
		select {
		case <-s.ended:
			s.conn.Close()
			s.conn = nil
		default:
		}
	}
	if s.conn == nil {
		conn, err := new(net.Dialer).DialContext(ctx, s.network, s.address)
		if err != nil {
			return err
		}
		s.conn, s.ended = conn, make(chan struct{})
		go func(ended chan struct{}) {
			defer close(ended)
			io.Copy(io.Discard, conn) // whatever ends it, the next batch needs another connection
		}(s.ended)
	}
	deadline, _ := ctx.Deadline()
	err := s.conn.SetWriteDeadline(deadline)
	if err == nil {
		_, err = s.conn.Write(batch)
	}
	if err != nil {
		s.conn.Close()
		s.conn = nil
	}
	return err
}

func (s *socketPlace) close() error {
	if s.conn == nil {
		return nil
	}
	return s.conn.Close()
}

// toUDP sends datagrams of whole lines. What is sent may be lost without a
// word; that is UDP.
func toUDP(conn net.Conn) func(context.Context, []byte) error {
	return func(_ context.Context, batch []byte) error {
		var failed error
		for len(batch) > 0 {
			n := packet(batch)
			if _, err := conn.Write(batch[:n]); err != nil {
				failed = poison{err, true} // the others are on their way
			}
			batch = batch[n:]
		}
		return failed
	}
}

// packet is how much of a batch goes into one datagram: as many whole lines as
// fit, at least one.
func packet(batch []byte) int {
	if len(batch) <= maxPacket {
		return len(batch)
	}
	if n := bytes.LastIndexByte(batch[:maxPacket], '\n'); n >= 0 {
		return n + 1
	}
	return bytes.IndexByte(batch, '\n') + 1
}

// toHTTP posts batches to a write end point. 400, 413 and 422 blame the lines;
// other refusals (401, 403, 404, redirections) blame token, database or
// address: both with the server's own words. 408, 429, 5xx and errors on the way
// pass.
func toHTTP(to, tokenFile string, compress bool, by http.RoundTripper) func(context.Context, []byte) error {
	client := &http.Client{Transport: by, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return func(ctx context.Context, batch []byte) error {
		secret := ""
		if tokenFile != "" {
			token, err := bench.ReadSecret(tokenFile)
			if err != nil {
				return refusal{error: fmt.Errorf("token_file: %w", err), ours: true}
			}
			secret = token.Reveal()
		}
		body := bytes.NewReader(batch)
		if compress {
			var b bytes.Buffer
			z, err := gzip.NewWriterLevel(&b, gzip.BestSpeed)
			if err == nil {
				_, err = z.Write(batch)
			}
			if err = errors.Join(err, z.Close()); err != nil {
				return err
			}
			body = bytes.NewReader(b.Bytes())
		}
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, to, body)
		if err != nil {
			return refusal{error: errors.New("the address cannot be used"), ours: true}
		}
		req.Header.Set("Content-Type", "text/plain; charset=utf-8")
		if compress {
			req.Header.Set("Content-Encoding", "gzip")
		}
		if strings.Contains(secret, " ") {
			req.Header.Set("Authorization", secret)
		} else if secret != "" {
			req.Header.Set("Authorization", "Token "+secret)
		}
		resp, err := client.Do(req)
		if err != nil {
			if u, ok := errors.AsType[*url.Error](err); ok {
				err = u.Err // without the URL, which may hold a password
			}
			return err
		}
		defer resp.Body.Close()
		words, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<10))
		if resp.StatusCode/100 == 2 {
			return nil
		}
		said := strings.ToValidUTF8(strings.Join(strings.Fields(string(words)), " "), "?")
		if secret != "" {
			said = strings.ReplaceAll(said, secret, "...")
		}
		err = fmt.Errorf("%s: %s", resp.Status, said)
		switch code := resp.StatusCode; {
		case code >= 500, code == http.StatusRequestTimeout, code == http.StatusTooManyRequests:
			wish, _ := strconv.Atoi(resp.Header.Get("Retry-After")) // a date is rare, and no wish then
			return refusal{error: err, after: time.Duration(min(max(wish, 0), 3600)) * time.Second}
		case code == http.StatusBadRequest, code == http.StatusRequestEntityTooLarge, code == http.StatusUnprocessableEntity:
			return poison{err, strings.Contains(said, "partial write")}
		}
		return refusal{error: err, ours: true}
	}
}
