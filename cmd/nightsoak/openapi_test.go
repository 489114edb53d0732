package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
)

// TestOpenAPI holds the answers of a real daemon to the document that it serves,
// by a validator of its own standing (kin-openapi).
func TestOpenAPI(t *testing.T) {
	r := newRig(t)
	s := start(t, append([]string{"serve"}, r.files...)...)
	served, err := s.get("/api/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := openapi3.NewLoader().LoadFromData(served)
	if err == nil {
		err = doc.Validate(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	router, err := gorillamux.NewRouter(doc)
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range []string{"text/html", "image/svg+xml", "image/png", "application/pdf", "text/csv", "application/openmetrics-text"} {
		openapi3filter.RegisterBodyDecoder(kind, openapi3filter.FileBodyDecoder)
	}

	// ask sends a request, and wants the status and an answer as described.
	ask := func(method, path, body string, status int, header ...string) []byte {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, strings.TrimSuffix(s.url, "/")+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i+1 < len(header); i += 2 {
			req.Header.Set(header[i], header[i+1])
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode != status {
			t.Errorf("%s %s: %s, want %d: %.300s", method, path, resp.Status, status, b)
		}
		route, params, err := router.FindRoute(req)
		if err != nil {
			t.Errorf("%s %s is not described: %v", method, path, err)
			return b
		}
		if err := conforms(t, req, route, params, resp, b); err != nil {
			t.Errorf("%s %s: the answer is not as described in export/panel/openapi.json: %v", method, path, err)
		}
		return b
	}
	ask("GET", "/api/state", "", 200)
	s.until(t, "all meters live", 20*time.Second, live)
	ask("GET", "/healthz", "", 200)
	ask("GET", "/metrics", "", 200)
	ask("GET", "/metrics", "", 200, "Accept", "application/openmetrics-text; version=1.0.0")
	ask("GET", "/api/openapi.json", "", 200)
	ask("POST", "/api/note", `{"text":"through the described door"}`, 200)
	ask("POST", "/api/note", `{"words":"x"}`, 400)
	ask("POST", "/api/note", `{"text":"`+strings.Repeat("x", 300<<10)+`"}`, 413)
	ask("POST", "/api/note", `{"text":"x"}`, 401, "X-Forwarded-For", "192.0.2.1")
	ask("POST", "/api/note", `{"text":"x"}`, 403, "Authorization", "Bearer wrong")
	ask("POST", "/api/adjusted", `{"socket":"all"}`, 200)
	ask("POST", "/api/begin", `{"job":"ticket ="}`, 422)
	job, err := os.ReadFile(r.files[3])
	if err != nil {
		t.Fatal(err)
	}
	again, _ := json.Marshal(map[string]any{"job": string(job)})
	ask("POST", "/api/begin", string(again), 409)
	ask("GET", "/api/events?view=nothing", "", 400)
	ask("GET", "/api/runs/nothing/report.csv", "", 404)
	state := ask("GET", "/api/state", "", 200)
	var st struct {
		Run    struct{ ID string }
		Alarms []struct{ ID string }
	}
	if err := json.Unmarshal(state, &st); err != nil || st.Run.ID == "" {
		t.Fatal(err, string(state))
	}
	for _, suffix := range []string{"csv", "json", "html", "svg", "pdf", "png"} {
		ask("GET", "/api/runs/"+st.Run.ID+"/report."+suffix, "", 200)
	}
	ask("GET", "/api/runs", "", 200)

	// What the stream says, each by its schema.
	out, err := s.stream("")
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]int{}
	kind := ""
	for line := range strings.Lines(out) {
		line = strings.TrimSpace(line)
		if k, ok := strings.CutPrefix(line, "event: "); ok {
			kind = k
		}
		data, ok := strings.CutPrefix(line, "data: ")
		name := map[string]string{"state": "State", "event": "Event"}[kind]
		if !ok || name == "" {
			continue
		}
		var v any
		if err := json.Unmarshal([]byte(data), &v); err != nil {
			t.Fatal(err)
		}
		if err := doc.Components.Schemas[name].Value.VisitJSON(v); err != nil {
			t.Errorf("%s: %v in %s", name, err, data)
		}
		kinds[kind]++
	}
	if kinds["state"] == 0 || kinds["event"] < 3 {
		t.Errorf("the stream said %v", kinds)
	}
	ask("POST", "/api/end", ``, 200)
	ask("POST", "/api/note", `{"text":"too late"}`, 409)
	ask("GET", "/api/runs", "", 200)
	ask("GET", "/api/state", "", 200)

	// The validator does find what differs.
	var v map[string]any
	if err := json.Unmarshal(state, &v); err != nil {
		t.Fatal(err)
	}
	schema := doc.Components.Schemas["State"].Value
	if err := schema.VisitJSON(v); err != nil {
		t.Error(err)
	}
	v["surprise"] = 1.0
	if schema.VisitJSON(v) == nil {
		t.Error("a field that is not described passes")
	}
	s.stop(t)
}

// conforms validates one answer.
func conforms(t *testing.T, req *http.Request, route *routers.Route, params map[string]string, resp *http.Response, body []byte) error {
	in := &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: route}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: resp.StatusCode, Header: resp.Header,
		Body: io.NopCloser(bytes.NewReader(body)), Options: &openapi3filter.Options{IncludeResponseStatus: true}}
	return openapi3filter.ValidateResponse(t.Context(), out)
}
