package notify

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"

	"nightsoak/acquire/bench"
)

// library sends through a notification library: push and chat services, each
// with a URL scheme of its own. The library takes no context, and some of its
// services wait for ever: a try that hangs is left behind, and until it has
// ended no other is begun, so that nothing is overtaken by something older.
type library struct {
	url     bench.Secret
	secrets []bench.Secret

	mu    sync.Mutex
	stuck chan struct{} // closed when the try left behind has ended; nil without one
	since time.Time
}

const (
	// maxText is how long a text most services take, in bytes.
	maxText = 1000
	// stuckFor is how long a try left behind bars the next: after that its
	// connection is dead in all likelihood, and silence would be worse.
	stuckFor = 10 * time.Minute
)

// noLibrary are schemes of the library that are not for people: its own log, and
// webhooks and mail, which http, https, smtp and smtps do better.
var noLibrary = []string{"logger", "generic"}

func newLibrary(u *url.URL, secrets []bench.Secret) (*library, error) {
	scheme, _, _ := strings.Cut(u.Scheme, "+")
	_, err := new(router.ServiceRouter).NewService(scheme)
	for _, s := range noLibrary {
		if scheme == s {
			err = errors.New("not for people")
		}
	}
	if err != nil {
		return nil, fmt.Errorf("scheme %q is not known: smtp and smtps send mail, http and https call a webhook, and push and chat services have schemes of their own (see the README)", u.Scheme)
	}
	return &library{url: bench.NewSecret(u.String()), secrets: secrets}, nil
}

func (l *library) send(ctx context.Context, m *message) error {
	if !l.free() {
		return notTaken("an earlier try has not come back yet")
	}
	result, done := make(chan error, 1), make(chan struct{})
	go func() {
		defer close(done)
		result <- l.deliver(m.text(maxText))
	}()
	select {
	case err := <-result:
		if err == nil {
			return nil
		}
		text := scrub(err, l.secrets)
		if undialled(err) {
			return notTaken(text)
		}
		return errors.New(text)
	case <-ctx.Done():
		l.mu.Lock()
		l.stuck, l.since = done, time.Now()
		l.mu.Unlock()
		return errors.New("no answer in time")
	}
}

// deliver is one call of the library. What it logs may hold secrets, and goes nowhere.
func (l *library) deliver(text string) (err error) {
	defer func() {
		if p := recover(); p != nil { // third-party code for two dozen servers
			err = fmt.Errorf("the library failed: %v", p)
		}
	}()
	r := new(router.ServiceRouter)
	r.SetLogger(log.New(io.Discard, "", 0))
	service, err := r.Locate(l.url.Reveal())
	if err != nil {
		return err
	}
	return service.Send(text, nil)
}

func (l *library) free() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.stuck == nil {
		return true
	}
	select {
	case <-l.stuck:
	default:
		if time.Since(l.since) < stuckFor {
			return false
		}
	}
	l.stuck = nil
	return true
}
