package panel

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/rs/zerolog"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/acquire/tube"
	"nightsoak/drivers/catalogue"
)

// Heard is what was found out about a port.
type Heard struct {
	Meter   bench.MeterDraft // its name is not looked at
	Sure    float64          // 0 to 1
	Reading string           // what its display shows; empty when nothing came
}

// SetupOptions are what the set-up page works with.
type SetupOptions struct {
	Bench, Job string                      // the files, which need not exist
	Ports      func() ([]port.Info, error) // of this machine, without opening any
	// Listen finds out what is on a port, unless it is that of the cut-off, which is
	// not to be opened.
	Listen func(ctx context.Context, spec, cutoff string) (Heard, error)
	Logger zerolog.Logger
}

type setup struct{ opt SetupOptions }

// NewSetup is the page that writes the bench and the job file: without script, and
// for nobody but the person at this machine. What is not saved is in the page alone.
func NewSetup(opt SetupOptions) http.Handler {
	s := &setup{opt}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) { s.draw(w, s.open()) })
	mux.HandleFunc("POST /{$}", s.form)
	mux.HandleFunc("GET /assets/{file}", (&panel{}).asset)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", formCSP)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !direct(r) {
			refuse(w, http.StatusForbidden, "the set-up page is for the machine that it runs on: open it there, by the address that was printed")
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// setupView is the page.
type setupView struct {
	Build      string
	Bench, Job setupFile
	B          bench.BenchDraft
	J          bench.JobDraft
	Ports      []port.Info
	PortsErr   string
	Formats    []string
	Tubes      []string
	Meters     []string // names
	Wiring     string
	Heard      []string // by meter, what came of listening
	Said, Err  string   // what came of the button
	Saved      bool
}

// setupFile is one of the two files.
type setupFile struct {
	Kind     string // bench, job
	Path     string
	Hand     bool   // edited as text
	Text     string // as it will be written
	Stands   string // SHA-256 of what is on the disk; empty for no file
	Problems []string
	Checked  bool
	Empty    bool // nothing to write yet
}

// open is the page as the files stand.
func (s *setup) open() *setupView {
	v := &setupView{Bench: setupFile{Kind: "bench", Path: s.opt.Bench}, Job: setupFile{Kind: "job", Path: s.opt.Job}}
	v.B.Name, v.J.Bias = "north", "fixed"
	for _, f := range []*setupFile{&v.Bench, &v.Job} {
		text, err := os.ReadFile(f.Path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			v.Err = err.Error()
			continue
		}
		f.Text, f.Stands = string(text), sum(text)
		f.Hand = !v.take(f)
	}
	return v
}

// take reads a file's text into the fields; false when it says more than they can hold.
func (v *setupView) take(f *setupFile) bool {
	if f.Kind == "bench" {
		d, ok := bench.DraftBench(f.Text)
		if ok {
			v.B = d
		}
		return ok
	}
	d, ok := bench.DraftJob(f.Text)
	if ok {
		v.J = d
	}
	return ok
}

func sum(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

// form takes the page back, does what its button says, and draws it again.
func (s *setup) form(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		refuse(w, http.StatusBadRequest, "the form cannot be read: %s", err)
		return
	}
	v := s.posted(r.PostForm)
	do, of, _ := strings.Cut(cmp.Or(r.PostForm.Get("do"), "look"), ":")
	at, _ := strconv.Atoi(of)
	switch do {
	case "add-meter":
		v.B.Meters = append(v.B.Meters, bench.MeterDraft{Name: nextName(v.meterNames(), "k1"), Port: of})
	case "drop-meter":
		if at >= 0 && at < len(v.B.Meters) {
			v.B.Meters = slices.Delete(v.B.Meters, at, at+1)
		}
	case "listen":
		if at >= 0 && at < len(v.B.Meters) {
			s.listen(r.Context(), v, at)
		}
	case "add-socket":
		v.addSocket()
	case "drop-socket":
		if at >= 0 && at < len(v.J.Sockets) {
			v.J.Sockets = slices.Delete(v.J.Sockets, at, at+1)
		}
	case "add-watch":
		v.J.Watches = append(v.J.Watches, bench.WatchDraft{Name: "heater", Unit: "V"})
	case "drop-watch":
		if at >= 0 && at < len(v.J.Watches) {
			v.J.Watches = slices.Delete(v.J.Watches, at, at+1)
		}
	case "hand", "fields":
		f := &v.Bench
		if of == "job" {
			f = &v.Job
		}
		v.write()
		if do == "hand" {
			f.Hand = true
		} else if f.Hand = !v.take(f); f.Hand {
			v.Err = filepath.Base(f.Path) + " says more, or says it otherwise, than the page has fields for above its line “by hand from here on”: it stays as text, so that nothing of it is lost."
		}
	case "save":
		v.check()
		s.save(v)
	}
	s.draw(w, v)
}

// posted is the page as it came back.
func (s *setup) posted(f map[string][]string) *setupView {
	get := func(key string) string {
		if v := f[key]; len(v) > 0 {
			return strings.ReplaceAll(v[0], "\r\n", "\n")
		}
		return ""
	}
	nth := func(key string, i int) string {
		if v := f[key]; i < len(v) {
			return strings.ReplaceAll(v[i], "\r\n", "\n")
		}
		return ""
	}
	v := &setupView{Bench: setupFile{Kind: "bench", Path: s.opt.Bench, Hand: get("bench.hand") != "", Stands: get("bench.stands"), Text: get("bench.text")},
		Job: setupFile{Kind: "job", Path: s.opt.Job, Hand: get("job.hand") != "", Stands: get("job.stands"), Text: get("job.text")}}
	v.B = bench.BenchDraft{Name: get("bench.name"), DataDir: get("bench.data_dir"), Rest: get("bench.rest")}
	for i := range f["meter.name"] {
		v.B.Meters = append(v.B.Meters, bench.MeterDraft{Name: nth("meter.name", i), Port: nth("meter.port", i), Format: nth("meter.format", i), Line: nth("meter.line", i),
			Accuracy: nth("meter.accuracy", i), Scale: nth("meter.scale", i), SilentAfter: nth("meter.silent_after", i), Keys: nth("meter.keys", i)})
	}
	v.J = bench.JobDraft{Ticket: get("job.ticket"), Amplifier: get("job.amplifier"), Serial: get("job.serial"), Technician: get("job.technician"), Bias: get("job.bias"),
		IdleTarget: get("job.idle_target"), SoakFor: get("job.soak_for"), HTFuse: get("job.ht_fuse"), Rest: get("job.rest")}
	for i := range f["socket.name"] {
		v.J.Sockets = append(v.J.Sockets, bench.SocketDraft{Name: nth("socket.name", i), Tube: nth("socket.tube", i), DateCode: nth("socket.date_code", i), Half: nth("socket.half", i),
			Meter: nth("socket.meter", i), Ohms: nth("socket.ohms", i), Tolerance: nth("socket.tolerance", i), SharedBy: nth("socket.shared_by", i),
			Roving: nth("socket.roving", i) == "yes", Plate: nth("socket.plate", i)})
	}
	for i := range f["watch.name"] {
		v.J.Watches = append(v.J.Watches, bench.WatchDraft{Name: nth("watch.name", i), Meter: nth("watch.meter", i), Unit: nth("watch.unit", i), Low: nth("watch.low", i), High: nth("watch.high", i)})
	}
	return v
}

// addSocket adds a socket like the last, with the next name, the next sense
// meter, and the other half once as many as before stand in the first.
func (v *setupView) addSocket() {
	n := len(v.J.Sockets)
	if n == 0 {
		d := bench.SocketDraft{Name: "V1", Ohms: "1", Tolerance: "1%", Half: "a"}
		if names := v.meterNames(); len(names) > 0 {
			d.Meter, d.Plate = names[0], names[len(names)-1]
		}
		v.J.Sockets = append(v.J.Sockets, d)
		return
	}
	d, names := v.J.Sockets[n-1], []string{}
	for _, s := range v.J.Sockets {
		names = append(names, s.Name)
	}
	d.Name, d.DateCode = nextName(names, d.Name), ""
	if !d.Roving && d.SharedBy == "" {
		d.Meter = nextName([]string{d.Meter}, d.Meter)
	}
	v.J.Sockets = append(v.J.Sockets, d)
}

// nextName is a name that is not yet among those, counted on from like: V5, V6.
func nextName(have []string, like string) string {
	stem := strings.TrimRight(like, "0123456789")
	n, _ := strconv.Atoi(like[len(stem):])
	for ; ; n++ {
		if name := stem + strconv.Itoa(n); !slices.Contains(have, name) {
			return name
		}
	}
}

func (v *setupView) meterNames() (names []string) {
	if v.Bench.Hand {
		if b, err := bench.Parse(v.Bench.Path, []byte(v.Bench.Text)); err == nil {
			for _, m := range b.Meters {
				names = append(names, m.Name)
			}
		}
		return names
	}
	for _, m := range v.B.Meters {
		names = append(names, m.Name)
	}
	return names
}

// listen finds out what a meter is and writes that into its fields.
func (s *setup) listen(ctx context.Context, v *setupView, at int) {
	v.write()
	m := &v.B.Meters[at]
	v.Heard = make([]string, len(v.B.Meters))
	cutoff, err := bench.CutoffPort(v.Bench.Text)
	if err != nil {
		v.Err = filepath.Base(v.Bench.Path) + " cannot be read, so nobody knows which port drives the cut-off: mend it first, then listen."
		return
	}
	heard, err := s.opt.Listen(ctx, strings.TrimSpace(m.Port), cutoff)
	if err != nil {
		v.Heard[at], v.Err = err.Error(), m.Name+": nothing recognised"
		return
	}
	m.Port, m.Format, m.Line, m.Keys = heard.Meter.Port, heard.Meter.Format, heard.Meter.Line, heard.Meter.Keys
	v.Heard[at] = fmt.Sprintf("recognised as %s, %.0f %% sure", m.Format, 100*heard.Sure)
	if heard.Reading != "" {
		v.Heard[at] += "; its display shows " + heard.Reading
	}
	v.Said = m.Name + ": " + v.Heard[at]
}

// write makes the texts of the files that are edited by fields.
func (v *setupView) write() {
	if !v.Bench.Hand {
		v.Bench.Text = v.B.Text()
	}
	if !v.Job.Hand {
		v.Job.Text = v.J.Text()
	}
	v.Bench.Empty = !v.Bench.Hand && len(v.B.Meters) == 0
	v.Job.Empty = !v.Job.Hand && v.J.Ticket == "" && len(v.J.Sockets) == 0
}

// check says what is wrong with both files, and draws the wiring sheet when nothing is.
func (v *setupView) check() {
	v.write()
	v.Bench.Problems, v.Job.Problems, v.Wiring, v.Job.Checked = nil, nil, "", false
	if v.Bench.Empty {
		return
	}
	b, err := bench.Parse(filepath.Base(v.Bench.Path), []byte(v.Bench.Text))
	v.Bench.Checked, v.Bench.Problems = true, problems(err)
	if err != nil || v.Job.Empty {
		return
	}
	j, err := bench.ParseJob(filepath.Base(v.Job.Path), []byte(v.Job.Text), b)
	v.Job.Checked, v.Job.Problems = true, problems(err)
	if err != nil {
		return
	}
	var sheet strings.Builder
	if err := bench.Wiring(&sheet, b, j); err != nil {
		v.Err = err.Error()
	}
	v.Wiring = sheet.String()
}

func problems(err error) (all []string) {
	if err == nil {
		return nil
	}
	if list, ok := errors.AsType[bench.Problems](err); ok {
		for _, p := range list {
			all = append(all, p.Error())
		}
		return all
	}
	return []string{err.Error()}
}

// save writes what has no mistakes, unless somebody else has written meanwhile.
func (s *setup) save(v *setupView) {
	var done []string
	for _, f := range []*setupFile{&v.Bench, &v.Job} {
		switch err := f.save(); {
		case f.Empty:
		case !f.Checked || len(f.Problems) > 0:
			v.Err = filepath.Base(f.Path) + " is not written while it has mistakes, or the bench file has."
			s.opt.Logger.Debug().Str("file", f.Path).Msg("not saved")
		case err != nil:
			v.Err = err.Error()
		default:
			done = append(done, f.Path)
		}
	}
	if v.Saved = v.Err == "" && len(done) > 0; len(done) > 0 {
		v.Said = "Written: " + strings.Join(done, ", ") + "."
	}
}

// save writes the file aside and then in its place. What stood there before is
// kept beside it, its name with "~" behind.
func (f *setupFile) save() error {
	if f.Empty || !f.Checked || len(f.Problems) > 0 {
		return nil
	}
	old, err := os.ReadFile(f.Path)
	there := err == nil
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return err
	case there && sum(old) == sum([]byte(f.Text)):
		f.Stands = sum(old)
		return nil
	case there && sum(old) != f.Stands:
		return fmt.Errorf("%s was changed by somebody else since this page was opened: it was not written. Copy what you need from here, then load the page anew", f.Path)
	}
	mode := fs.FileMode(0o644) // the daemon may be another user's
	if there {
		if in, err := os.Stat(f.Path); err == nil {
			mode = in.Mode().Perm()
		}
		if err := os.WriteFile(f.Path+"~", old, mode); err != nil {
			return err
		}
	}
	aside, err := os.CreateTemp(filepath.Dir(f.Path), "."+filepath.Base(f.Path)+"-")
	if err != nil {
		return err
	}
	defer os.Remove(aside.Name())
	_, err = aside.WriteString(f.Text)
	if err = errors.Join(err, aside.Chmod(mode), aside.Sync(), aside.Close()); err == nil {
		err = os.Rename(aside.Name(), f.Path)
	}
	if err == nil {
		f.Stands = sum([]byte(f.Text))
	}
	return err
}

func (s *setup) draw(w http.ResponseWriter, v *setupView) {
	v.check()
	v.Build, v.Meters, v.Formats = build, v.meterNames(), catalogue.Names()
	if v.Heard == nil {
		v.Heard = make([]string, len(v.B.Meters))
	}
	for _, t := range tube.All() {
		v.Tubes = append(v.Tubes, t.Name)
	}
	var err error
	if v.Ports, err = s.opt.Ports(); err != nil {
		v.PortsErr = err.Error()
	}
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, "setup.html", v); err != nil {
		refuse(w, http.StatusInternalServerError, "the page cannot be drawn: %s", err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if v.Err != "" {
		w.WriteHeader(http.StatusUnprocessableEntity)
	}
	w.Write(b.Bytes())
}
