package panel

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// posts are all addresses that take a POST, with a body that each would accept.
func posts() map[string]string {
	all := map[string]string{"/api/walkaway": `{}`, "/api/drill": `{"fault":"runaway"}`, "/walkaway": "do=check"}
	for act, fields := range acts {
		body := map[string]string{}
		for _, f := range fields {
			body[f] = "30m" // text, an id and a time at once
		}
		b, err := json.Marshal(body)
		if err != nil {
			panic(err)
		}
		all["/api/"+act] = string(b)
	}
	return all
}

// TestEveryPostIsGuarded: no act, check or drill without a right, and none from
// a foreign page even with one. That each is taken otherwise shows that it was
// the guard that refused.
func TestEveryPostIsGuarded(t *testing.T) {
	far := func(r *http.Request) { r.RemoteAddr, r.Host = "192.0.2.7:50000", "192.0.2.1:8417" }
	foreign := func(r *http.Request) { r.Header.Set("Origin", "https://elsewhere.example") }
	token := func(r *http.Request) { r.Header.Set("Authorization", "Bearer s3cret") }
	for path, body := range posts() {
		for _, c := range []struct {
			name string
			with []func(*http.Request)
			want int
		}{
			{"from this machine", nil, 200},
			{"from elsewhere with the token", []func(*http.Request){far, token}, 200},
			{"from elsewhere", []func(*http.Request){far}, 401},
			{"forwarded", []func(*http.Request){func(r *http.Request) { r.Header.Set("X-Forwarded-For", "127.0.0.1") }}, 401},
			{"a foreign page in this machine's browser", []func(*http.Request){foreign}, 403},
			{"a foreign page with the token", []func(*http.Request){far, token, foreign}, 403},
			{"a foreign page, as browsers say it", []func(*http.Request){func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }}, 403},
			{"a page of the same site, not ours", []func(*http.Request){func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") }}, 403},
			{"a name made to resolve here", []func(*http.Request){token, func(r *http.Request) { r.Host = "rebound.example:8417" }}, 403},
			{"a made-up session", []func(*http.Request){far, func(r *http.Request) {
				r.Header.Set("Sec-Fetch-Site", "same-origin")
				r.AddCookie(&http.Cookie{Name: newDoor("north", Options{}).cookie, Value: "AAAA"})
			}}, 401},
		} {
			src := scene("well")
			w := ask(t, src, Options{Token: "s3cret"}, "POST", path, body, func(r *http.Request) {
				if path == "/walkaway" {
					r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				}
				for _, f := range c.with {
					f(r)
				}
			})
			if w.Code != c.want || (len(src.acts) > 0) != (c.want == 200) {
				t.Errorf("POST %s, %s: %d with %q done, want %d: %s", path, c.name, w.Code, src.acts, c.want, w.Body)
			}
		}
	}
	if got := slices.Sorted(maps.Keys(posts())); len(got) != len(acts)+3 {
		t.Errorf("the table misses a POST: %q", got)
	}
}

func TestHosts(t *testing.T) {
	opt := Options{Hosts: []string{"workbench", "panel.example:8443", "Shop.Example"}}
	for host, want := range map[string]int{
		"127.0.0.1:8417": 200, "[::1]:8417": 200, "192.0.2.4": 200, "localhost:8417": 200, "bench:8417": 200, "bench.local": 200, "bench.home.arpa": 200, "bench.internal": 200,
		"panel.example": 200, "panel.example:9": 200, "shop.example.": 200, "": 200,
		"rebound.example:8417": 403, "panel.example.rebound.example": 403, "127.0.0.1.rebound.example": 403, "local.example": 403, "workbench.example": 403,
	} {
		for _, path := range []string{"/", "/api/state", "/api/events?view=moon"} {
			w := ask(t, scene("well"), opt, "GET", path, "", func(r *http.Request) { r.Host = host })
			if (w.Code == 403) != (want == 403) {
				t.Errorf("GET %s of host %q: %d, want %d", path, host, w.Code, want)
			}
		}
	}
}

// browser is a browser as far as cookies and origins go.
type browser struct {
	http.Client
	t    *testing.T
	home string // of the page, with its last slash
}

func newBrowser(t *testing.T, home string) *browser {
	jar, err := cookiejar.New(nil) // RFC 6265
	if err != nil {
		t.Fatal(err)
	}
	return &browser{Client: http.Client{Jar: jar}, t: t, home: home}
}

func (b *browser) post(path, body string) (status int, answer string) {
	r, err := http.NewRequestWithContext(b.t.Context(), "POST", b.home+path, strings.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	r.Header.Set("Origin", r.URL.Scheme+"://"+r.URL.Host)
	resp, err := b.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

// link is what a page refers to.
var link = regexp.MustCompile(`(?:href|src|action)="([^"#?][^"]*|\?[^"]*)"`)

// TestBehindProxy: a reverse proxy that takes a prefix off. Pages, what they
// refer to and the session work under it; what it forwards is never loopback.
func TestBehindProxy(t *testing.T) {
	for name, rewrite := range map[string]func(*httputil.ProxyRequest, *url.URL){
		"keeping the Host":  func(r *httputil.ProxyRequest, to *url.URL) { r.SetURL(to); r.Out.Host = r.In.Host; r.SetXForwarded() },
		"renaming the Host": func(r *httputil.ProxyRequest, to *url.URL) { r.SetURL(to); r.SetXForwarded() },
	} {
		t.Run(name, func(t *testing.T) {
			src := scene("well")
			src.report = func(w io.Writer, id, suffix string) error { _, err := io.WriteString(w, id); return err }
			front := httptest.NewUnstartedServer(nil)
			backend := httptest.NewServer(New(src, Options{Token: "s3cret", Job: src.job, Origins: []string{"http://" + front.Listener.Addr().String()}}))
			defer backend.Close()
			to, err := url.Parse(backend.URL)
			if err != nil {
				t.Fatal(err)
			}
			front.Config.Handler = http.StripPrefix("/north", &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) { rewrite(r, to) }})
			front.Start()
			defer front.Close()
			home := front.URL + "/north/"
			b := newBrowser(t, home)
			seen := 0
			for _, page := range []string{"", "wall", "idle", "walkaway", "runs", "runs/20260112-1955-R-1180"} {
				body := fetch(t, b, home+page)
				at, err := url.Parse(home + page)
				if err != nil {
					t.Fatal(err)
				}
				for _, m := range link.FindAllStringSubmatch(body, -1) {
					ref, err := at.Parse(m[1])
					if err != nil {
						t.Fatal(err)
					}
					if !strings.HasPrefix(ref.String(), home) {
						t.Errorf("page %q refers to %q, which is outside the prefix", page, m[1])
						continue
					}
					if !slices.Contains([]string{"login", "logout", "metrics", "compare"}, strings.TrimPrefix(ref.Path, "/north/")) { // POST only; not served here; asks for two runs
						fetch(t, b, ref.String())
						seen++
					}
				}
			}
			if seen < 20 {
				t.Errorf("only %d links were followed", seen)
			}
			if status, text := b.post("api/note", `{"text":"a"}`); status != 401 {
				t.Errorf("a forwarded act without a session: %d %s", status, text)
			}
			if status, text := b.post("login", `{"token":"s3cret"}`); status != 200 {
				t.Fatalf("login: %d %s", status, text)
			}
			if status, text := b.post("api/note", `{"text":"a"}`); status != 200 || len(src.acts) == 0 {
				t.Errorf("an act in the session: %d %s", status, text)
			}
			u, err := url.Parse(home)
			if err != nil {
				t.Fatal(err)
			}
			kept := b.Jar.Cookies(u)
			outside := *u
			outside.Path = "/"
			if len(kept) == 0 || len(b.Jar.Cookies(&outside)) != 0 {
				t.Errorf("cookies under the prefix: %v, outside: %v", kept, b.Jar.Cookies(&outside))
			}
			if status, _ := b.post("logout", ""); status != 200 {
				t.Errorf("logout: %d", status)
			}
			b.Jar.SetCookies(u, kept) // who has copied it has nothing
			if status, _ := b.post("api/note", `{"text":"a"}`); status != 401 {
				t.Errorf("the session lives on after logout: %d", status)
			}
		})
	}
}

func fetch(t *testing.T, b *browser, at string) string {
	t.Helper()
	resp, err := b.Get(at)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != 200 {
		t.Errorf("%s: %d %v %.200s", at, resp.StatusCode, err, body)
	}
	return string(body)
}

func TestSessionCookie(t *testing.T) {
	for origin, secure := range map[string]bool{"": false, "http://127.0.0.1:8417": false, "https://127.0.0.1:8417": true} {
		w := ask(t, scene("well"), Options{Token: "s3cret", Origins: []string{"https://127.0.0.1:8417"}}, "POST", "/login", `{"token":"s3cret"}`, func(r *http.Request) {
			if origin != "" {
				r.Header.Set("Origin", origin)
			}
		})
		c := w.Result().Cookies()
		if w.Code != 200 || len(c) != 1 || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || c[0].Secure != secure || len(c[0].Value) < 26 || c[0].Path != "" {
			t.Errorf("login from %q: %d %v", origin, w.Code, c)
		}
	}
	for body, want := range map[string]int{`{"token":"guess"}`: 403, `{}`: 403, `{"tocken":"s3cret"}`: 400, ``: 403} {
		if w := ask(t, scene("well"), Options{Token: "s3cret"}, "POST", "/login", body, nil); w.Code != want || len(w.Result().Cookies()) != 0 {
			t.Errorf("login with %s: %d, want %d", body, w.Code, want)
		}
	}
	if w := ask(t, scene("well"), Options{}, "POST", "/login", `{"token":""}`, nil); w.Code != 403 {
		t.Errorf("login without a token being set: %d", w.Code)
	}
	foreign := func(r *http.Request) { r.Header.Set("Origin", "https://elsewhere.example") }
	if w := ask(t, scene("well"), Options{Token: "s3cret"}, "POST", "/login", `{"token":"s3cret"}`, foreign); w.Code != 403 || len(w.Result().Cookies()) != 0 {
		t.Errorf("a foreign page signs in: %d", w.Code)
	}
}

// TestSessionsEnd: after their time, and the oldest when there are too many. A
// cookie without a page's word of where it comes from is nothing.
func TestSessionsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor("north", Options{Token: "s3cret"})
		in := func(secret string) bool {
			r := httptest.NewRequest("POST", "/api/end", nil)
			r.Header.Set("Sec-Fetch-Site", "same-origin")
			r.AddCookie(&http.Cookie{Name: d.cookie, Value: secret})
			if !d.inSession(r) {
				return false
			}
			r.Header.Del("Sec-Fetch-Site")
			if d.inSession(r) {
				t.Error("a cookie without an origin acts")
			}
			return true
		}
		open := func(secret string) { d.remember(sha256.Sum256([]byte(secret)), time.Now()) }
		open("first")
		time.Sleep(sessionFor - time.Second)
		if !in("first") {
			t.Error("a session ended before its time")
		}
		time.Sleep(time.Second)
		if in("first") {
			t.Error("a session lives on after its time")
		}
		for i := range mostSession + 1 {
			open(fmt.Sprint(i))
			time.Sleep(time.Second)
		}
		if in("0") || !in("1") || !in(fmt.Sprint(mostSession)) || len(d.open) != mostSession {
			t.Errorf("%d sessions open", len(d.open))
		}
	})
}

// TestGuessing: five wrong tokens, then one every 10 s, whichever door they
// knock at; others, and who has a right already, are not kept out.
func TestGuessing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := scene("well")
		h := New(src, Options{Token: "s3cret"})
		try := func(from, path, token string) int {
			body := `{}`
			if path == "/login" {
				body = fmt.Sprintf(`{"token":%q}`, token)
			}
			r := httptest.NewRequestWithContext(t.Context(), "POST", path, strings.NewReader(body))
			r.RemoteAddr, r.Host = from, "192.0.2.1:8417"
			if path != "/login" {
				r.Header.Set("Authorization", "Bearer "+token)
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if (w.Code == 429) != (w.Header().Get("Retry-After") != "") {
				t.Errorf("%d with Retry-After %q", w.Code, w.Header().Get("Retry-After"))
			}
			return w.Code
		}
		const a, b = "192.0.2.7:1000", "192.0.2.8:1000"
		for range 20 {
			if got := try(a, "/login", "s3cret"); got != 200 {
				t.Fatalf("the right token costs: %d", got)
			}
		}
		for i := range guessBurst {
			if got := try(a, []string{"/login", "/api/end"}[i%2], "guess"); got != 403 {
				t.Errorf("guess %d: %d", i, got)
			}
		}
		if got := []int{try(a, "/login", "guess"), try(a, "/api/end", "guess"), try(a, "/login", "s3cret"), try("192.0.2.7:2000", "/login", "s3cret")}; !slices.Equal(got, []int{429, 429, 429, 429}) {
			t.Errorf("after the last guess: %v", got)
		}
		if got := try(b, "/login", "s3cret"); got != 200 {
			t.Errorf("another address is kept out: %d", got)
		}
		time.Sleep(guessEvery)
		if got := []int{try(a, "/login", "guess"), try(a, "/login", "guess")}; !slices.Equal(got, []int{403, 429}) {
			t.Errorf("%v later: %v", guessEvery, got)
		}
		// One subscriber of IPv6 has 2^64 addresses.
		for i := range guessBurst {
			try(fmt.Sprintf("[2001:db8::%d]:1000", i+1), "/login", "guess")
		}
		if got := []int{try("[2001:db8::ffff]:1", "/login", "guess"), try("[2001:db8:0:1::1]:1", "/login", "guess")}; !slices.Equal(got, []int{429, 403}) {
			t.Errorf("IPv6: %v", got)
		}
		// Many addresses are not many memories.
		for i := range 2 * mostGuess {
			try(fmt.Sprintf("10.0.%d.%d:1", i/256, i%256), "/login", "guess")
		}
	})
	d := newDoor("north", Options{Token: "s3cret"})
	for i := range 3 * mostGuess {
		r := httptest.NewRequest("POST", "/login", nil)
		r.RemoteAddr = fmt.Sprintf("10.0.%d.%d:1", i/256, i%256)
		if _, err := d.judge(r, "guess", true); err == nil {
			t.Fatal("a guess is right")
		}
	}
	if len(d.guesses) > mostGuess+1 {
		t.Errorf("%d addresses remembered", len(d.guesses))
	}
}

// FuzzBodies gives any bytes to every address that takes a body: no panic, no
// act by one that was refused, and words for whoever sent it.
func FuzzBodies(f *testing.F) {
	for path, body := range posts() {
		f.Add(path, body)
		f.Add(path, body+"{")
	}
	f.Add("/login", `{"token":"s3cret"}`)
	f.Add("/api/shelve", `{"id":"a","for":"9999999999h"}`)
	f.Add("/api/note", `{"text":"\ud800","text":"\u0000"}`)
	f.Add("/api/begin", `{"job":"`+strings.Repeat("[", 100)+`"}`)
	f.Add("/walkaway", "waive:a=%00&waive:=b&confirm&heard:=&do=try")
	known := posts()
	known["/login"] = ""
	f.Fuzz(func(t *testing.T, path, body string) {
		if _, ok := known[path]; !ok {
			return // not an address that takes a body
		}
		src := scene("well")
		w := ask(t, src, Options{Token: "s3cret"}, "POST", path, body, func(r *http.Request) {
			if path == "/walkaway" {
				r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			}
		})
		if w.Code >= 500 || w.Code/100 != 2 && path != "/walkaway" && len(src.acts) > 0 {
			t.Errorf("POST %s %q: %d with %q done", path, body, w.Code, src.acts)
		}
		if path != "/walkaway" && !json.Valid(w.Body.Bytes()) {
			t.Errorf("POST %s %q is answered with %q", path, body, w.Body)
		}
	})
}

// FuzzLastEventID gives any id and query to the stream: it begins or says why
// not, and never sends an event that was seen.
func FuzzLastEventID(f *testing.F) {
	for _, id := range []string{"", "0", "4", "6", "7", "-1", "9223372036854775808", "1e3", "4\n", "４"} {
		f.Add(id, id)
	}
	f.Fuzz(func(t *testing.T, id, after string) {
		ended, end := context.WithCancel(t.Context())
		end()
		r := httptest.NewRequestWithContext(ended, "GET", "http://127.0.0.1:8417/api/events?after="+url.QueryEscape(after), nil)
		r.Header["Last-Event-Id"] = []string{id}
		w := httptest.NewRecorder()
		New(scene("well"), Options{}).ServeHTTP(w, r)
		if w.Code != 200 && w.Code != 400 {
			t.Fatalf("id %q after %q: %d", id, after, w.Code)
		}
		seen := id
		if seen == "" {
			seen = after
		}
		for n := 1; n <= 6 && w.Code == 200 && seen != ""; n++ {
			if sent := strings.Contains(w.Body.String(), fmt.Sprintf("id: %d\n", n)); seen == fmt.Sprint(n) && sent {
				t.Errorf("event %d is sent again to who has seen it", n)
			}
		}
	})
}
