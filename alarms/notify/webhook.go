package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"time"

	"nightsoak/acquire/bench"
)

// webhook posts the message as JSON. The id is also in the header
// Idempotency-Key (an IETF draft), for servers that drop what they had before.
type webhook struct {
	url     bench.Secret
	bearer  bench.Secret // empty for none
	secrets []bench.Secret
}

// webClient shares nothing with other users of the package, keeps no idle
// connection, since messages are far between, and follows no redirect: that
// would turn a POST into a GET, and nobody would be told.
var webClient = &http.Client{
	Transport:     &http.Transport{Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true, TLSHandshakeTimeout: 10 * time.Second},
	CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
}

func (w *webhook) send(ctx context.Context, m *message) error {
	body, err := m.json()
	if err != nil {
		return notTaken(err.Error())
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url.Reveal(), bytes.NewReader(body))
	if err != nil {
		return notTaken(scrub(err, w.secrets))
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "nightsoak")
	req.Header.Set("Idempotency-Key", strconv.Quote(m.ID)) // a string of RFC 8941
	if t := w.bearer.Reveal(); t != "" {
		req.Header.Set("Authorization", "Bearer "+t)
	}
	resp, err := webClient.Do(req)
	if err != nil {
		text := scrub(err, w.secrets)
		if undialled(err) {
			return notTaken(text)
		}
		return errors.New(text)
	}
	defer resp.Body.Close()
	if resp.StatusCode/100 == 2 {
		return nil
	}
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 200))
	text := scrub(fmt.Errorf("%s: %s", resp.Status, said), w.secrets)
	if resp.StatusCode/100 == 4 && resp.StatusCode != http.StatusRequestTimeout {
		return notTaken(text)
	}
	return errors.New(text) // something behind the server may have it
}
