package panel

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
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
