package notify

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"

	"nightsoak/acquire/bench"
)

// Check says what is wrong with a channel as far as the bench file alone tells:
// no file is read and nothing is contacted. The error names the table's place.
func Check(c bench.Notify) error {
	var err error
	if c.URL != "" {
		_, err = parse(c.URL, bench.NewSecret("x"), c.Secret != "")
	}
	if err != nil {
		return fmt.Errorf("%s: [[notify]] %s: url: %w", c.Place, c.Name, err)
	}
	return nil
}

// newSender reads what the channel's files hold and makes its sender.
func newSender(c bench.Notify) (sender, error) {
	if c.Command != nil {
		return newCommand(c.Command), nil
	}
	var word bench.Secret
	var err error
	if c.Secret != "" {
		if word, err = bench.ReadSecret(c.Secret); err != nil {
			return nil, fmt.Errorf("secret: %w", err)
		}
	}
	raw := c.URL
	if c.URLFile != "" {
		content, err := bench.ReadSecret(c.URLFile)
		if err != nil {
			return nil, fmt.Errorf("url_file: %w", err)
		}
		raw = content.Reveal()
	}
	return parse(raw, word, c.Secret != "")
}

// parse makes a sender of a URL. It contacts nothing.
func parse(raw string, word bench.Secret, given bool) (sender, error) {
	bearer := given && !strings.Contains(raw, bench.SecretHere)
	u, err := url.Parse(strings.ReplaceAll(raw, bench.SecretHere, escape(word.Reveal())))
	if err != nil || u.Scheme == "" {
		return nil, errors.New("must be a URL with its scheme") // the parser's error shows the URL
	}
	if bearer && u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("has no %s where the secret belongs", bench.SecretHere)
	}
	secrets := secretsIn(u)
	if given {
		secrets = append([]bench.Secret{word}, secrets...)
	}
	switch u.Scheme {
	case "smtp", "smtps":
		return newMail(u, secrets)
	case "http", "https":
		if u.Host == "" {
			return nil, errors.New("must name a host")
		}
		w := &webhook{url: bench.NewSecret(u.String()), secrets: secrets}
		if bearer {
			w.bearer = word
		}
		return w, nil
	}
	return newLibrary(u, secrets)
}

// notTaken marks an error after which the message cannot have arrived.
func notTaken(text string) error { return fmt.Errorf("%w: %s", errNotTaken, text) }

// undialled says whether an error is that of a connection that never stood.
func undialled(err error) bool {
	o, ok := errors.AsType[*net.OpError](err)
	return ok && o.Op == "dial"
}
