package panel

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// FuzzBody has no body of any act, check or drill crash the panel: each is
// answered, as JSON or as a page, and one that is refused has done nothing.
func FuzzBody(f *testing.F) {
	for act, fields := range acts {
		body := map[string]any{}
		for _, k := range fields {
			body[k] = "V5"
		}
		b, err := json.Marshal(body)
		if err != nil {
			f.Fatal(err)
		}
		f.Add("/api/"+act, string(b))
	}
	for _, body := range []string{"", "{}", "null", "[]", `{"for":"9999999h","id":"x"}`, `{"job":1}`, `{"text":"` + strings.Repeat("x", 300<<10) + `"}`,
		"{\"text\":\"\xff\"}", `{"text":"a","text":"b"}`, `{"first_power":true,"job":"ticket = 1"}`, strings.Repeat("[", 20000), `{"waive":[{}],"confirm":[""]}`, "confirm=dummy-load&by=%zz&waive="} {
		for _, to := range []string{"/api/begin", "/api/shelve", "/api/walkaway", "/api/drill", "/walkaway"} {
			f.Add(to, body)
		}
	}
	f.Fuzz(func(t *testing.T, to, body string) {
		if !strings.HasPrefix(to, "/") || strings.ContainsAny(to, " \r\n\x00") {
			return // no server takes it for a request
		}
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://127.0.0.1:8417/", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.URL.Path, r.RemoteAddr = to, "127.0.0.1:50000"
		if to == "/walkaway" {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		src := &fake{}
		w := httptest.NewRecorder()
		New(src, Options{}).ServeHTTP(w, r)
		if w.Code >= 400 && len(src.acts) > 0 {
			t.Errorf("%s answered %d, and did %q", to, w.Code, src.acts)
		}
		if strings.HasPrefix(w.Header().Get("Content-Type"), "application/json") && !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s answered %q", to, w.Body)
		}
	})
}

// FuzzEvents has no event number or view asked for crash the stream, nor make it
// give an event that comes before the number.
func FuzzEvents(f *testing.F) {
	for _, id := range []string{"", "0", "1", "2", "3", "-1", "+1", "99999999999999999999", "0x1", " 1", "1\n", "1e3", "\xff"} {
		f.Add(id, id, "", "1200")
		f.Add(id, "", "bench", id)
	}
	f.Fuzz(func(t *testing.T, last, after, view, width string) {
		r, err := http.NewRequest(http.MethodGet, "http://127.0.0.1:8417/api/events", nil)
		if err != nil {
			t.Fatal(err)
		}
		q := r.URL.Query()
		q.Set("after", after)
		q.Set("view", view)
		q.Set("w", width)
		r.URL.RawQuery = q.Encode()
		r.Header["Last-Event-Id"] = []string{last}
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond) // the stream's first words come before it looks
		defer cancel()
		src := &fake{events: []alarms.Event{{Seq: 1, Event: "phase"}, {Seq: 2, Event: "phase"}}}
		w := httptest.NewRecorder()
		New(src, Options{}).ServeHTTP(w, r.WithContext(ctx))
		said := w.Body.String()
		switch {
		case w.Code == http.StatusBadRequest:
			if !json.Valid(w.Body.Bytes()) {
				t.Errorf("refused with %q", said)
			}
		case w.Code != http.StatusOK || !strings.HasPrefix(said, "retry: "):
			t.Errorf("%d %q", w.Code, said)
		case last == "1" && view == "" && (strings.Contains(said, "id: 1\n") || !strings.Contains(said, "id: 2\n")):
			t.Errorf("after 1: %q", said)
		}
	})
}
