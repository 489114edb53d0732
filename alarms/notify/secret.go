package notify

import (
	"encoding/base64"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"nightsoak/acquire/bench"
)

// escape makes s fit for every part of a URL.
func escape(s string) string { return strings.ReplaceAll(url.QueryEscape(s), "+", "%20") }

var anyURL = regexp.MustCompile(`[a-zA-Z][a-zA-Z0-9+.-]*://\S+`)

// maxError is how much of an error people are shown, in bytes.
const maxError = 300

// scrub is an error's text on one line, without URLs and without the secrets,
// however they were escaped on the way.
func scrub(err error, secrets []bench.Secret) string {
	text := strings.Join(strings.Fields(err.Error()), " ")
	for _, s := range secrets {
		plain := s.Reveal()
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
func secretsIn(u *url.URL) []bench.Secret {
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
	var out []bench.Secret
	for _, p := range parts {
		if len(p) >= 3 { // shorter ones would hide half of every word
			out = append(out, bench.NewSecret(p))
		}
	}
	slices.SortFunc(out, func(a, b bench.Secret) int { return len(b.Reveal()) - len(a.Reveal()) })
	return out
}
