package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"nightsoak/alarms"
)

// remote is the running daemon.
type remote struct {
	At        string `default:"http://127.0.0.1:8417" placeholder:"URL" help:"Where the daemon's panel is."`
	TokenFile string `placeholder:"FILE" help:"The token, for a daemon on another machine."`
}

// call makes one request; a body means POST. The answer's error, in the
// daemon's own words, is the error.
func (r *remote) call(ctx context.Context, path string, body any) ([]byte, error) {
	return r.callFor(ctx, 10*time.Second, path, body)
}

// callFor is call for what may take longer, of wall time.
func (r *remote) callFor(ctx context.Context, long time.Duration, path string, body any) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, long)
	defer cancel()
	method, content := http.MethodGet, []byte(nil)
	if body != nil {
		method = http.MethodPost
		var err error
		if content, err = json.Marshal(body); err != nil {
			return nil, err
		}
	}
	if u, err := url.Parse(r.At); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, usage(fmt.Errorf("--at=%s: write it like http://127.0.0.1:8417", r.At))
	}
	to, err := url.JoinPath(r.At, path)
	if err != nil {
		return nil, usage(fmt.Errorf("--at: %w", err))
	}
	req, err := http.NewRequestWithContext(ctx, method, to, bytes.NewReader(content))
	if err != nil {
		return nil, usage(fmt.Errorf("--at: %w", err))
	}
	req.Header.Set("Content-Type", "application/json")
	if r.TokenFile != "" {
		token, err := os.ReadFile(r.TokenFile)
		if err != nil {
			return nil, usage(err)
		}
		req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, fmt.Errorf("no daemon answers at %s (%w): is `nightsoak serve` running, and is --at right?", r.At, errors.Unwrap(err))
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, 16<<20))
	if err != nil {
		return nil, err
	}
	if resp.StatusCode/100 == 2 {
		return answer, nil
	}
	var e struct{ Error string }
	if json.Unmarshal(answer, &e) != nil || e.Error == "" {
		e.Error = resp.Status
	}
	err = errors.New(e.Error)
	if resp.StatusCode == http.StatusUnprocessableEntity {
		err = usage(err)
	}
	return nil, err
}

// act sends an act; the body holds what goes with it.
func (r *remote) act(a *app, act alarms.Act) error {
	name := act.Act
	act.Act = ""
	body := map[string]any{}
	b, err := json.Marshal(act)
	if err == nil {
		err = json.Unmarshal(b, &body)
	}
	if err != nil {
		return err
	}
	delete(body, "act") // it is in the path
	if _, err = r.call(a.ctx, "/api/"+name, body); err == nil {
		_, err = fmt.Fprintln(a.out, name+": done")
	}
	return err
}

type beginCmd struct {
	Job        string `required:"" placeholder:"FILE" help:"Job file."`
	FirstPower bool   `help:"The first power-up after a repair."`
	remote
}

// Run begins a run.
func (c *beginCmd) Run(a *app) error {
	job, err := os.ReadFile(c.Job)
	if err != nil {
		return usage(err)
	}
	if _, err = c.call(a.ctx, "/api/begin", map[string]any{"job": string(job), "first_power": c.FirstPower}); err != nil {
		// The daemon calls the file "job", since it has only its text.
		if text := err.Error(); strings.HasPrefix(text, "job:") {
			err = usage(errors.New(c.Job + strings.ReplaceAll(text, "\njob:", "\n"+c.Job+":")[len("job"):]))
		}
		return err
	}
	_, err = fmt.Fprintln(a.out, "begin: done")
	return err
}

type endCmd struct{ remote }

// Run ends the run.
func (c *endCmd) Run(a *app) error { return c.act(a, alarms.Act{Act: "end"}) }

type noteCmd struct {
	Text []string `arg:"" help:"What to note."`
	remote
}

// Run notes something.
func (c *noteCmd) Run(a *app) error {
	text := strings.TrimSpace(strings.Join(c.Text, " "))
	if text == "" {
		return usage(errors.New("note: the note is empty"))
	}
	return c.act(a, alarms.Act{Act: "note", Text: text})
}

type markCmd struct {
	Watch string `arg:"" help:"The watch, as the job names it."`
	Text  string `arg:"" help:"What its figure now is: before, after, without V5."`
	remote
}

// Run keeps a watch's figure.
func (c *markCmd) Run(a *app) error {
	return c.act(a, alarms.Act{Act: "mark", Watch: c.Watch, Text: c.Text})
}

type adjustedCmd struct {
	Socket string `arg:"" help:"The socket whose trimmer was turned, or all."`
	remote
}

// Run says that a trimmer was turned.
func (c *adjustedCmd) Run(a *app) error {
	return c.act(a, alarms.Act{Act: "adjusted", Socket: c.Socket})
}

type moveCmd struct {
	Meter  string `arg:"" help:"The roving meter."`
	Socket string `arg:"" help:"Where its probe is now."`
	remote
}

// Run says that the roving probe was moved.
func (c *moveCmd) Run(a *app) error {
	return c.act(a, alarms.Act{Act: "move", Meter: c.Meter, Socket: c.Socket})
}

type acknowledgeCmd struct {
	ID string `arg:"" help:"The alarm, runaway/V7."`
	remote
}

// Run acknowledges an alarm.
func (c *acknowledgeCmd) Run(a *app) error {
	return c.act(a, alarms.Act{Act: "acknowledge", ID: c.ID})
}

type shelveCmd struct {
	ID  string        `arg:"" help:"The alarm, drift/V6."`
	For time.Duration `required:"" placeholder:"D" help:"For how long, 30m; at most 24h."`
	remote
}

// Run shelves an alarm.
func (c *shelveCmd) Run(a *app) error {
	return c.act(a, alarms.Act{Act: "shelve", ID: c.ID, For: c.For.String()})
}

type unshelveCmd struct {
	ID string `arg:"" help:"The alarm."`
	remote
}

// Run ends a shelving.
func (c *unshelveCmd) Run(a *app) error { return c.act(a, alarms.Act{Act: "unshelve", ID: c.ID}) }

type resetCmd struct {
	ID string `arg:"" help:"The alarm, runaway/V7."`
	remote
}

// Run lets go of a latched alarm.
func (c *resetCmd) Run(a *app) error { return c.act(a, alarms.Act{Act: "reset", ID: c.ID}) }

type outCmd struct {
	ID  string   `arg:"" help:"The alarm, drift/V6."`
	Why []string `arg:"" help:"Why, for the record."`
	By  string   `required:"" placeholder:"NAME" help:"Who takes it out."`
	remote
}

// Run takes an alarm out of service.
func (c *outCmd) Run(a *app) error {
	return c.act(a, alarms.Act{Act: "out-of-service", ID: c.ID, By: c.By, Text: strings.Join(c.Why, " ")})
}

type inCmd struct {
	ID string `arg:"" help:"The alarm."`
	By string `required:"" placeholder:"NAME" help:"Who puts it back."`
	remote
}

// Run puts an alarm back in service.
func (c *inCmd) Run(a *app) error {
	return c.act(a, alarms.Act{Act: "in-service", ID: c.ID, By: c.By})
}
