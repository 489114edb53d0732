package panel

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"nightsoak/alarms"
)

// maxBody is the most that an act's body may hold, bytes: a job file is a few kB.
const maxBody = 256 << 10

// acts are the acts that can be posted, with the fields that each one must carry.
var acts = map[string][]string{
	"begin":          {"job"}, // and "first_power"
	"note":           {"text"},
	"mark":           {"watch", "text"},
	"acknowledge":    {"id"},
	"shelve":         {"id", "for"},
	"unshelve":       {"id"},
	"reset":          {"id"},
	"out-of-service": {"id", "by", "text"},
	"in-service":     {"id", "by"},
	"move":           {"meter", "socket"},
	"adjusted":       {"socket"},
	"end":            {},
	"cut":            {},
	"rearm":          {},
}

// act takes POST /api/ACT.
func (p *panel) act(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("act")
	fields, ok := acts[name]
	if !ok {
		refuse(w, http.StatusNotFound, "there is no act %q: known are %s", name, strings.Join(slices.Sorted(maps.Keys(acts)), " "))
		return
	}
	if !p.let(w, r, name) {
		return
	}
	body, status, err := readBody(w, r, name, fields)
	if err != nil {
		refuse(w, status, "%s", err)
		return
	}
	if name == "begin" {
		err = p.src.Begin(r.Context(), []byte(body.job), body.act.FirstPower)
	} else {
		err = p.src.Act(r.Context(), body.act)
	}
	if err != nil {
		refuseErr(w, err, http.StatusConflict)
		return
	}
	answer(w, http.StatusOK, map[string]bool{"ok": true})
}

// let says whether a request may act; one that may not is answered.
func (p *panel) let(w http.ResponseWriter, r *http.Request, name string) bool {
	status, err := p.may(r)
	if err == nil {
		return true
	}
	if status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Bearer realm="nightsoak"`)
	}
	p.opt.Logger.Warn().Str("act", name).Str("from", r.RemoteAddr).Err(err).Msg("act refused")
	refuse(w, status, "%s", err)
	return false
}

// may says whether a request may act: with the token, or straight from this
// machine. A token that is presented is judged, wherever it comes from.
func (p *panel) may(r *http.Request) (status int, err error) {
	if err := p.origin.Check(r); err != nil {
		return http.StatusForbidden, errors.New("a page of another origin may not act here")
	}
	if h := r.Header.Get("Authorization"); h != "" {
		scheme, token, _ := strings.Cut(h, " ")
		given, right := sha256.Sum256([]byte(strings.TrimSpace(token))), sha256.Sum256([]byte(p.opt.Token))
		if p.opt.Token == "" || !strings.EqualFold(scheme, "Bearer") || subtle.ConstantTimeCompare(given[:], right[:]) != 1 {
			return http.StatusForbidden, errors.New("the token is not the right one")
		}
		return 0, nil
	}
	if direct(r) {
		return 0, nil
	}
	if p.opt.Token == "" {
		return http.StatusUnauthorized, errors.New("acts are taken only from the daemon's own machine: the bench file names no token_file")
	}
	return http.StatusUnauthorized, errors.New("acts from elsewhere than the daemon's own machine need its token: Authorization: Bearer TOKEN")
}

// direct says whether a request came straight over loopback: from a loopback
// address, by no proxy's hand, under a loopback name (a page that renames
// itself to 127.0.0.1 keeps its own Host), and from no page but our own.
func direct(r *http.Request) bool {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !from.Addr().Unmap().IsLoopback() {
		return false
	}
	for name := range r.Header {
		switch {
		case name == "Forwarded", name == "Via", name == "X-Real-Ip", strings.HasPrefix(name, "X-Forwarded-"):
			return false
		}
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if ip, err := netip.ParseAddr(host); err != nil || !ip.Unmap().IsLoopback() {
		if !strings.EqualFold(strings.TrimSuffix(host, "."), "localhost") {
			return false
		}
	}
	origin := r.Header.Get("Origin")
	return origin == "" || origin == "http://"+r.Host
}

// request is the body of an act.
type request struct {
	act alarms.Act
	job string
}

// readBody reads an act's JSON body strictly: one object with exactly the
// fields of that act. No body at all is an empty object.
func readBody(w http.ResponseWriter, r *http.Request, name string, fields []string) (request, int, error) {
	req := request{act: alarms.Act{Act: name}}
	raw, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	if err != nil {
		if _, tooBig := errors.AsType[*http.MaxBytesError](err); tooBig {
			return req, http.StatusRequestEntityTooLarge, fmt.Errorf("the body is larger than %d kB", maxBody>>10)
		}
		return req, http.StatusBadRequest, fmt.Errorf("the body broke off: %w", err)
	}
	var got map[string]json.RawMessage
	if len(raw) > 0 {
		if err := json.Unmarshal(raw, &got); err != nil {
			return req, http.StatusBadRequest, fmt.Errorf("the body is not a JSON object: %w", err)
		}
	}
	into := map[string]*string{"job": &req.job, "text": &req.act.Text, "id": &req.act.ID, "for": &req.act.For, "by": &req.act.By, "meter": &req.act.Meter, "socket": &req.act.Socket, "watch": &req.act.Watch}
	for field, value := range got {
		if name == "begin" && field == "first_power" {
			if err := json.Unmarshal(value, &req.act.FirstPower); err != nil {
				return req, http.StatusBadRequest, errors.New(`"first_power" is true or false`)
			}
			continue
		}
		if !slices.Contains(fields, field) {
			return req, http.StatusBadRequest, fmt.Errorf("unknown field %q: %s takes %s", field, name, fieldList(fields))
		}
		if err := json.Unmarshal(value, into[field]); err != nil {
			return req, http.StatusBadRequest, fmt.Errorf("%q is a string", field)
		}
	}
	for _, field := range fields {
		if strings.TrimSpace(*into[field]) == "" {
			return req, http.StatusBadRequest, fmt.Errorf("%q is missing or empty: %s takes %s", field, name, fieldList(fields))
		}
	}
	if name == "shelve" {
		if d, err := time.ParseDuration(req.act.For); err != nil || d <= 0 {
			return req, http.StatusBadRequest, fmt.Errorf(`"for" is %q: write a time such as "30m"`, req.act.For)
		}
	}
	return req, 0, nil
}

func fieldList(fields []string) string {
	if len(fields) == 0 {
		return "no fields"
	}
	return `"` + strings.Join(fields, `", "`) + `"`
}
