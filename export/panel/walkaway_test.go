package panel

import (
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/alarms/walkaway"
)

func checked() *fake {
	src := scene("well")
	src.check = walkaway.Result{At: time.Date(2026, 1, 14, 22, 10, 0, 0, time.UTC), Run: "20260114-2012-R-1187", Cautions: walkaway.Cautions,
		Text: "1 of 4 lines fail: covers", Confirm: []string{"covers", "access"},
		Lines: []alarms.Finding{{Name: "settled", Is: alarms.Pass, Text: "4 sockets settled"}, {Name: "cut-off", Is: alarms.Waived, Text: "no cut-off: nothing drops the mains", Why: "<b>a relief watches</b>"},
			{Name: "covers", Is: alarms.Fail, Text: "nobody has confirmed it"}, {Name: "access", Is: alarms.Pass, Text: "confirmed by A. Keeper"}},
		Channels: []walkaway.Channel{{Channel: "bell", Delivered: true, Heard: true}, {Channel: "phone", Delivered: true}, {Channel: "hook", Err: "no route"}}}
	return src
}

// The page runs no script, sends its form only back, and stands as the golden says.
func TestWalkawayPage(t *testing.T) {
	src := checked()
	w := ask(t, src, Options{}, "GET", "/walkaway", "", nil)
	csp := w.Header().Get("Content-Security-Policy")
	if w.Code != http.StatusOK || !strings.Contains(csp, "script-src 'none'") || !strings.Contains(csp, "form-action 'self'") || !strings.Contains(csp, "default-src 'none'") {
		t.Errorf("%d, %s", w.Code, csp)
	}
	if got := strings.Join(src.acts, "\n"); got != "walkaway {Answers:{Confirm:[] Waive:map[] By:} Try:false Heard:map[]} false" {
		t.Errorf("asked %s", got)
	}
	page := strings.ReplaceAll(w.Body.String(), build, "BUILD")
	if *update {
		if err := os.WriteFile("testdata/walkaway.html", []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/walkaway.html")
	if err != nil || page != string(want) {
		t.Errorf("%v; the page differs from testdata/walkaway.html (go test -update writes it anew):\n%s", err, page)
	}
	if strings.Contains(page, "<script") || !strings.Contains(page, "&lt;b&gt;a relief") {
		t.Error("script, or a person's words as markup")
	}

	src.err = alarms.ErrRefused
	src.check = walkaway.Result{}
	if w = ask(t, src, Options{}, "GET", "/walkaway", "", nil); w.Code != http.StatusOK || strings.Contains(w.Body.String(), "<form") || !strings.Contains(w.Body.String(), "refused") {
		t.Errorf("without a run: %d %s", w.Code, w.Body)
	}
}

func TestWalkawayForm(t *testing.T) {
	form := func(kv ...string) string {
		v := url.Values{}
		for i := 0; i < len(kv); i += 2 {
			v.Add(kv[i], kv[i+1])
		}
		return v.Encode()
	}
	near := func(r *http.Request) { r.Header.Set("Content-Type", "application/x-www-form-urlencoded") }
	far := func(r *http.Request) { near(r); r.RemoteAddr = "192.0.2.7:50000" }
	foreign := func(r *http.Request) { near(r); r.Header.Set("Origin", "https://elsewhere.example") }
	for _, c := range []struct {
		name, body string
		with       func(*http.Request)
		status     int
		want       string
	}{
		{"a check", form("do", "check", "confirm", "covers", "confirm", "access", "by", " A. Keeper ", "waive:cut-off", "a relief", "waive:disk", " ", "heard:phone", "K7QP"), near, 200,
			"walkaway {Answers:{Confirm:[covers access] Waive:map[cut-off:a relief] By:A. Keeper} Try:false Heard:map[phone:K7QP]} true"},
		{"channels, which leaves what is ticked", form("do", "try", "confirm", "covers"), near, 200,
			"walkaway {Answers:{Confirm:[covers] Waive:map[] By:} Try:true Heard:map[]} true\nwalkaway {Answers:{Confirm:[covers] Waive:map[] By:} Try:false Heard:map[]} false"},
		{"from elsewhere", form("do", "check"), far, 401, ""},
		{"from elsewhere with the token", form("do", "check", "token", "s3cret"), far, 200, "walkaway {Answers:{Confirm:[] Waive:map[] By:} Try:false Heard:map[]} true"},
		{"from elsewhere with a wrong one", form("do", "check", "token", "guess"), far, 403, ""},
		{"from a foreign page", form("do", "check", "token", "s3cret"), foreign, 403, ""},
		{"no form", "%zz", near, 400, ""},
	} {
		src := checked()
		w := ask(t, src, Options{Token: "s3cret"}, "POST", "/walkaway", c.body, c.with)
		if got := strings.Join(src.acts, "\n"); w.Code != c.status || got != c.want {
			t.Errorf("%s: %d, asked\n%s\nwant %d\n%s", c.name, w.Code, got, c.status, c.want)
		}
		if w.Code == 200 && w.Header().Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: Referrer-Policy %q", c.name, w.Header().Get("Referrer-Policy"))
		}
	}
	src := checked()
	src.err = ErrInvalid
	if w := ask(t, src, Options{}, "POST", "/walkaway", form("do", "check", "confirm", "covers"), near); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "invalid") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestWalkawayAndDrillBodies(t *testing.T) {
	for _, c := range []struct {
		path, body string
		status     int
		want       string
	}{
		{"walkaway", ``, 200, "walkaway {Answers:{Confirm:[] Waive:map[] By:} Try:false Heard:map[]} true"},
		{"walkaway", `{"confirm":["covers"],"waive":{"disk":"tonight only"},"by":"A. Keeper","heard":{"phone":"K7QP"}}`, 200,
			"walkaway {Answers:{Confirm:[covers] Waive:map[disk:tonight only] By:A. Keeper} Try:false Heard:map[phone:K7QP]} true"},
		{"walkaway", `{"confirm":"covers"}`, 400, ""},
		{"walkaway", `{"confrim":["covers"]}`, 400, ""},
		{"walkaway", `{} {}`, 400, ""},
		{"walkaway", `{`, 400, ""},
		{"drill", `{"fault":"dead","socket":"V6","cut":true}`, 200, "drill {Fault:dead Socket:V6 Cut:true}"},
		{"drill", `{"fault":"dead","sockt":"V6"}`, 400, ""},
	} {
		src := checked()
		w := ask(t, src, Options{}, "POST", "/api/"+c.path, c.body, nil)
		if got := strings.Join(src.acts, "\n"); w.Code != c.status || got != c.want {
			t.Errorf("%s %s: %d %s, asked %q", c.path, c.body, w.Code, w.Body, got)
		}
		w = ask(t, checked(), Options{}, "POST", "/api/"+c.path, c.body, func(r *http.Request) { r.RemoteAddr = "192.0.2.7:50000" })
		if w.Code != 401 {
			t.Errorf("%s from elsewhere: %d", c.path, w.Code)
		}
	}
}
