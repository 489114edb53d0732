package notify

import (
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// Secret is a text that no log, error, notice or JSON ever shows: every usual
// way to print one gives "(secret)".
type Secret struct{ text *string } // a pointer: package fmt looks into unexported fields, but not behind them

func secret(s string) Secret { return Secret{&s} }

// reveal is the text itself.
func (s Secret) reveal() string {
	if s.text == nil {
		return ""
	}
	return *s.text
}

// String is "(secret)".
func (Secret) String() string { return "(secret)" }

// GoString is "(secret)".
func (Secret) GoString() string { return "(secret)" }

// Format writes "(secret)" for every verb.
func (Secret) Format(f fmt.State, _ rune) { f.Write([]byte("(secret)")) }

// MarshalText is "(secret)".
func (Secret) MarshalText() ([]byte, error) { return []byte("(secret)"), nil }

// SecretPath is the file that a bench file names as one that holds a secret: a
// name without a slash is a systemd credential.
func SecretPath(name string) (string, error) {
	if strings.ContainsRune(name, '/') || filepath.IsAbs(name) {
		return name, nil
	}
	dir := os.Getenv("CREDENTIALS_DIRECTORY")
	if dir == "" {
		return "", errors.New("a name without a slash is a systemd credential, but $CREDENTIALS_DIRECTORY is not set: write LoadCredential= into the unit, or the path of a file")
	}
	return filepath.Join(dir, name), nil
}

// readSecret reads a file that holds a secret, without the space around it. A
// name without a slash is a systemd credential.
func readSecret(name string) (Secret, error) {
	path, err := SecretPath(name)
	if err != nil {
		return Secret{}, err
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return Secret{}, err
	}
	s := strings.TrimSpace(string(b))
	if s == "" {
		return Secret{}, fmt.Errorf("%s is empty", path)
	}
	return secret(s), nil
}

// escape makes s fit for every part of a URL.
func escape(s string) string { return strings.ReplaceAll(url.QueryEscape(s), "+", "%20") }

var anyURL = regexp.MustCompile(`[a-zA-Z][a-zA-Z0-9+.-]*://\S+`)

// maxError is how much of an error people are shown, in bytes.
const maxError = 300

// scrub is an error's text on one line, without URLs and without the secrets,
// however they were escaped on the way.
func scrub(err error, secrets []Secret) string {
	text := strings.Join(strings.Fields(err.Error()), " ")
	for _, s := range secrets {
		plain := s.reveal()
		if plain == "" {
			continue
		}
		for _, form := range []string{plain, url.QueryEscape(plain), escape(plain), url.PathEscape(plain), base64.StdEncoding.EncodeToString([]byte(plain))} {
			text = strings.ReplaceAll(text, form, "(secret)")
		}
	}
	text = anyURL.ReplaceAllString(text, "(URL)")
	return cut(text, maxError)
}

// secretsIn are the parts of a URL that may be secret, longest first: all but
// its scheme and a host with a dot, for a service's token may stand anywhere.
func secretsIn(u *url.URL) []Secret {
	between := func(r rune) bool { return r == '/' || r == ':' || r == '@' }
	parts := append(strings.FieldsFunc(u.Path, between), strings.FieldsFunc(u.EscapedPath(), between)...)
	if h := u.Hostname(); !strings.Contains(h, ".") {
		parts = append(parts, h)
	}
	if u.User != nil {
		pass, _ := u.User.Password()
		parts = append(parts, u.User.Username(), pass, u.User.Username()+":"+pass)
	}
	for _, values := range u.Query() {
		parts = append(parts, values...)
	}
	parts = append(parts, u.RawQuery, u.Fragment)
	var out []Secret
	for _, p := range parts {
		if len(p) >= 3 { // shorter ones would hide half of every word
			out = append(out, secret(p))
		}
	}
	slices.SortFunc(out, func(a, b Secret) int { return len(b.reveal()) - len(a.reveal()) })
	return out
}
