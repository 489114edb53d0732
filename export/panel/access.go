package panel

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"hash/fnv"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Whoever reaches the panel may look. Acting takes a right: the token, a session
// that the token opened, or a connection straight from this machine.

const (
	sessionFor  = 24 * time.Hour   // a session lasts through a night and the day after
	mostSession = 64               // the oldest goes first
	guessEvery  = 10 * time.Second // a wrong token costs this much of an address's allowance
	guessBurst  = 5
	mostGuess   = 1024 // addresses remembered; the rest share one allowance
)

// door knows who may act.
type door struct {
	token   [sha256.Size]byte
	has     bool // there is a token
	origin  *http.CrossOriginProtection
	hosts   []string
	cookie  string
	guard   sync.Mutex
	open    map[[sha256.Size]byte]time.Time // sessions by the hash of their secret, with their end
	guesses map[netip.Prefix]*rate.Limiter
}

func newDoor(bench string, opt Options) *door {
	// A browser's cookies know no ports: two benches on one machine must not share a name.
	name := fnv.New32a()
	name.Write([]byte(bench))
	d := &door{
		token: sha256.Sum256([]byte(opt.Token)), has: opt.Token != "", origin: http.NewCrossOriginProtection(),
		hosts: opt.Hosts, cookie: fmt.Sprintf("nightsoak-%08x", name.Sum32()),
		open: map[[sha256.Size]byte]time.Time{}, guesses: map[netip.Prefix]*rate.Limiter{},
	}
	for _, o := range opt.Origins {
		if err := d.origin.AddTrustedOrigin(o); err != nil {
			opt.Logger.Error().Err(err).Msg("an origin that cannot be trusted")
		}
	}
	return d
}

// knows says whether a Host is one of ours. A page of somebody else's can make
// its own name resolve to this machine (DNS rebinding) and would then be of our
// origin; but it keeps its name. Addresses cannot be renamed so, and names
// without a dot, or under a domain that nobody can register (RFC 6761, 6762,
// 8375, and .internal), are not theirs.
func (d *door) knows(host string) bool {
	host = bare(host)
	if _, err := netip.ParseAddr(host); err == nil || !strings.Contains(host, ".") {
		return true
	}
	for _, own := range []string{".localhost", ".local", ".home.arpa", ".internal"} {
		if strings.HasSuffix(host, own) {
			return true
		}
	}
	for _, h := range d.hosts {
		if strings.EqualFold(bare(h), host) {
			return true
		}
	}
	return false
}

// bare is a Host without port, brackets or last dot, in lower case.
func bare(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
}

// let says whether a request may act; one that may not is answered.
func (p *panel) let(w http.ResponseWriter, r *http.Request, name string) bool {
	status, err := p.may(r)
	if err == nil {
		return true
	}
	switch status {
	case http.StatusUnauthorized:
		w.Header().Set("WWW-Authenticate", `Bearer realm="nightsoak"`)
	case http.StatusTooManyRequests:
		w.Header().Set("Retry-After", fmt.Sprint(int(guessEvery.Seconds())))
	}
	p.opt.Logger.Warn().Str("act", name).Str("from", r.RemoteAddr).Err(err).Msg("act refused")
	refuse(w, status, "%s", err)
	return false
}

// may says whether a request may act: with the token, in a session, or straight
// from this machine. A token that is presented is judged, wherever it comes from.
func (p *panel) may(r *http.Request) (status int, err error) {
	d := p.door
	if err := d.origin.Check(r); err != nil {
		return http.StatusForbidden, errors.New("a page of another origin may not act here")
	}
	if h := r.Header.Get("Authorization"); h != "" {
		scheme, token, _ := strings.Cut(h, " ")
		return d.judge(r, strings.TrimSpace(token), strings.EqualFold(scheme, "Bearer"))
	}
	if d.inSession(r) || direct(r) {
		return 0, nil
	}
	if !d.has {
		return http.StatusUnauthorized, errors.New("acts are taken only from the daemon's own machine: the bench file names no token_file")
	}
	return http.StatusUnauthorized, errors.New("acts from elsewhere than the daemon's own machine need its token: sign in, or send Authorization: Bearer TOKEN")
}

// judge says whether a token is the right one. An address that was wrong too
// often is not answered for a while, right or wrong; behind a proxy all its
// users are one address.
func (d *door) judge(r *http.Request, token string, known bool) (status int, err error) {
	now := time.Now()
	try := d.allowance(r).ReserveN(now, 1)
	if try.DelayFrom(now) > 0 {
		try.CancelAt(now)
		return http.StatusTooManyRequests, fmt.Errorf("too many wrong tokens from this address: wait %v", guessEvery)
	}
	given := sha256.Sum256([]byte(token))
	if !d.has || !known || subtle.ConstantTimeCompare(given[:], d.token[:]) != 1 {
		return http.StatusForbidden, errors.New("the token is not the right one")
	}
	try.CancelAt(now)
	return 0, nil
}

// allowance is what an address may still guess: an IPv4 address, or the /64 that
// one IPv6 subscriber has to himself.
func (d *door) allowance(r *http.Request) *rate.Limiter {
	var from netip.Prefix
	if a, err := netip.ParseAddrPort(r.RemoteAddr); err == nil {
		ip := a.Addr().Unmap().WithZone("")
		from, _ = ip.Prefix(min(64, ip.BitLen()))
	}
	d.guard.Lock()
	defer d.guard.Unlock()
	if len(d.guesses) >= mostGuess && d.guesses[from] == nil {
		for a, l := range d.guesses {
			if l.Tokens() >= guessBurst { // has not been wrong lately
				delete(d.guesses, a)
			}
		}
		if len(d.guesses) >= mostGuess {
			from = netip.Prefix{}
		}
	}
	if d.guesses[from] == nil {
		d.guesses[from] = rate.NewLimiter(rate.Every(guessEvery), guessBurst)
	}
	return d.guesses[from]
}

// inSession says whether a request carries a session that is open, and comes
// from a page: a browser says so with every POST.
func (d *door) inSession(r *http.Request) bool {
	if r.Header.Get("Origin") == "" && r.Header.Get("Sec-Fetch-Site") == "" {
		return false
	}
	c, err := r.Cookie(d.cookie)
	if err != nil {
		return false
	}
	d.guard.Lock()
	defer d.guard.Unlock()
	until, ok := d.open[sha256.Sum256([]byte(c.Value))]
	return ok && time.Now().Before(until)
}

// login takes POST /login, {"token"}: a session in a cookie that no script reads
// and no other site's page sends. The cookie names no path: the browser takes
// the one that it asked, prefix of a proxy and all.
func (p *panel) login(w http.ResponseWriter, r *http.Request) {
	var body struct{ Token string }
	if err := p.door.origin.Check(r); err != nil {
		refuse(w, http.StatusForbidden, "a page of another origin may not sign in here")
		return
	}
	if !readInto(w, r, &body) {
		return
	}
	r.Header.Set("Authorization", "Bearer "+body.Token)
	if !p.let(w, r, "login") {
		return
	}
	secret := rand.Text()
	p.door.remember(sha256.Sum256([]byte(secret)), time.Now())
	http.SetCookie(w, p.door.baked(r, secret, sessionFor))
	answer(w, http.StatusOK, map[string]bool{"ok": true})
}

func (d *door) remember(session [sha256.Size]byte, now time.Time) {
	d.guard.Lock()
	defer d.guard.Unlock()
	for len(d.open) >= mostSession {
		oldest := session
		for s, until := range d.open {
			if oldest == session || until.Before(d.open[oldest]) {
				oldest = s
			}
		}
		delete(d.open, oldest)
	}
	d.open[session] = now.Add(sessionFor)
}

// logout takes POST /logout: the session is no more, whoever has copied its cookie.
func (p *panel) logout(w http.ResponseWriter, r *http.Request) {
	d := p.door
	if err := d.origin.Check(r); err != nil || !d.inSession(r) {
		refuse(w, http.StatusForbidden, "there is no session of yours to end")
		return
	}
	c, err := r.Cookie(d.cookie)
	if err == nil {
		d.guard.Lock()
		delete(d.open, sha256.Sum256([]byte(c.Value)))
		d.guard.Unlock()
	}
	http.SetCookie(w, d.baked(r, "", -time.Second))
	answer(w, http.StatusOK, map[string]bool{"ok": true})
}

// baked is the session's cookie. Whether the page came over TLS the browser knows
// best, should a proxy have taken it off.
func (d *door) baked(r *http.Request, secret string, long time.Duration) *http.Cookie {
	return &http.Cookie{
		Name: d.cookie, Value: secret, MaxAge: int(long.Seconds()), HttpOnly: true, SameSite: http.SameSiteStrictMode,
		Secure: r.TLS != nil || strings.HasPrefix(r.Header.Get("Origin"), "https://"),
	}
}

// direct says whether a request came straight over loopback: from a loopback
// address, by no proxy's hand, under a loopback name (a page that renames
// itself to 127.0.0.1 keeps its own Host), and from no page but our own.
func direct(r *http.Request) bool {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !from.Addr().Unmap().IsLoopback() {
		return false
	}
	if !r.ProtoAtLeast(1, 1) { // a proxy that says nothing may still speak HTTP/1.0: nginx's default for long (from memory)
		return false
	}
	for name := range r.Header {
		switch {
		case name == "Forwarded", name == "Via", name == "X-Real-Ip", strings.HasPrefix(name, "X-Forwarded-"):
			return false
		}
	}
	host := bare(r.Host)
	if ip, err := netip.ParseAddr(host); (err != nil || !ip.Unmap().IsLoopback()) && host != "localhost" {
		return false
	}
	origin := r.Header.Get("Origin")
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return origin == "" || origin == scheme+"://"+r.Host
}
