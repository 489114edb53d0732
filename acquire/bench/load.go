package bench

import (
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
)

// Load reads and validates a bench file. A file that is not valid gives
// Problems; one that cannot be read gives the system's error.
func Load(path string) (*Bench, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("bench file: %w", err)
	}
	return Parse(path, text)
}

// Parse is Load for a file already read; name is what errors show for it.
func Parse(name string, content []byte) (*Bench, error) {
	f, top, err := open(name, content)
	if err != nil {
		return nil, err
	}
	b := &Bench{
		Text:    slices.Clone(content),
		Name:    need(top, "name", printable),
		DataDir: get(top, "data_dir", DefaultDataDir(), text),
	}
	meters := top.list("meter")
	for _, t := range meters {
		b.Meters = append(b.Meters, meter(t))
	}
	if !top.has("meter") {
		top.fail("meter", "is missing: a bench has at least one [[meter]]")
	}
	panel, _ := top.sub("panel")
	b.Panel = Panel{
		Listen:    get(panel, "listen", "127.0.0.1:8417", hostPort),
		TokenFile: get(panel, "token_file", "", text),
		Link:      get(panel, "link", "", webURL),
		Hosts:     get(panel, "hosts", nil, texts),
		WebConfig: get(panel, "web_config", "", text),
	}
	panel.done()
	rec, _ := top.sub("record")
	b.Record = Record{
		KeepFor:   get(rec, "keep_for", 0, days),
		KeepUnder: get(rec, "keep_under", 0, byteSize),
	}
	rec.done()
	outlets := top.list("lines")
	for _, t := range outlets {
		l := linesTable(t)
		if first := slices.IndexFunc(b.Lines, func(o Lines) bool { return o.To == l.To }); l.To != "" && first >= 0 {
			t.fail("to", "already the place of the outlet at %s; everything would arrive there twice", outlets[first].place("to"))
		}
		b.Lines = append(b.Lines, l)
	}
	channels := top.list("notify")
	for i, t := range channels {
		b.Notify = append(b.Notify, notify(t, i+1))
	}
	cut, given := top.sub("cutoff")
	if given {
		b.Cutoff = cutoff(cut)
	}
	b.Alarms = alarmTables(top, nil)
	top.done()
	b.crossCheck(meters)
	for i, n := range b.Notify {
		if first := slices.IndexFunc(b.Notify, func(o Notify) bool { return o.Name == n.Name }); first < i {
			channels[i].fail("name", "already the name of the channel at %s; names are unique", channels[first].place("name"))
		}
	}
	if given {
		b.checkLease(cut)
	}
	if err := f.problems.sorted(); err != nil {
		return nil, err
	}
	return b, nil
}

func meter(t *table) Meter {
	m := Meter{
		Name:        need(t, "name", meterName),
		Port:        need(t, "port", portSpec),
		Format:      need(t, "format", format),
		Accuracy:    get(t, "accuracy", Accuracy{}, accuracy),
		Scale:       get(t, "scale", 1, within(0, 1e6, "")),
		SilentAfter: get(t, "silent_after", 5*time.Second, duration),
		Every:       500 * time.Millisecond,
		Settings:    drivers.Settings{},
	}
	m.Line = get(t, "line", m.Format.Line, lineSettings)
	wrong := len(t.file.problems)
	for _, key := range m.Format.Keys {
		if v := get(t, key, "", setting); v != "" {
			m.Settings[key] = v
		}
	}
	var err error
	switch {
	case m.Format.NewAsker != nil:
		if m.Every = get(t, "every", m.Every, duration); m.Every >= m.SilentAfter {
			t.fail("every", "must be shorter than silent_after (%v), or the meter would count as silent between two questions", m.SilentAfter)
		}
		_, err = m.Format.NewAsker(m.Settings)
	case m.Format.NewDecoder != nil:
		_, err = m.Format.NewDecoder(m.Settings)
	}
	if err != nil && len(t.file.problems) == wrong {
		key := "format"
		if bad, ok := errors.AsType[*drivers.SettingError](err); ok {
			key, err = bad.Key, bad.Err
		}
		t.fail(key, "%w", err)
	}
	foreignKeys(t, m.Format)
	t.done()
	return m
}

// foreignKeys finds keys that only other formats have.
func foreignKeys(t *table, f drivers.Format) {
	for _, other := range catalogue.All() {
		keys := other.Keys
		if other.NewAsker != nil {
			keys = append(slices.Clip(keys), "every")
		}
		for _, key := range keys {
			if !t.has(key) || slices.Contains(t.asked, key) {
				continue
			}
			t.asked = append(t.asked, key)
			if f.Name != "" { // else the format is the problem
				t.fail(key, "belongs to format %s, not to %s", other.Name, f.Name)
			}
		}
	}
}

// setting is the value of a key that a format defines.
func setting(v any) (string, error) {
	switch v := v.(type) {
	case int64:
		return strconv.FormatInt(v, 10), nil
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64), nil
	}
	return text(v)
}

func format(v any) (drivers.Format, error) {
	s, err := text(v)
	if err != nil {
		return drivers.Format{}, err
	}
	f, err := catalogue.Find(s)
	if err != nil {
		return f, fmt.Errorf("no such format; %s", known(s, catalogue.Names()))
	}
	return f, nil
}

func lineSettings(v any) (string, error) {
	s, err := text(v)
	if err == nil {
		_, err = port.ParseLine(s)
	}
	return s, err
}

func notify(t *table, number int) Notify {
	line, _ := t.position("")
	n := Notify{
		Place:         fmt.Sprintf("%s:%d", t.file.name, line),
		Name:          get(t, "name", fmt.Sprintf("notify-%d", number), meterName),
		URL:           get(t, "url", "", anyURL),
		URLFile:       get(t, "url_file", "", text),
		Secret:        get(t, "secret", "", text),
		Command:       get(t, "command", nil, texts),
		AtLeast:       get(t, "at_least", "medium", oneOf("low", "medium", "high")),
		Quiet:         get(t, "quiet", Hours{}, hours),
		Resolved:      get(t, "resolved", false, truth),
		EscalateAfter: get(t, "escalate_after", 0, duration),
		AliveAt:       get(t, "alive_at", Clock{}, clock),
		Timeout:       get(t, "timeout", 30*time.Second, duration),
	}
	given := slices.DeleteFunc([]string{"url", "url_file", "command"}, func(k string) bool { return !t.has(k) })
	switch {
	case len(given) == 0:
		t.fail("url", "[[notify]] needs one of url, url_file and command")
	case len(given) > 1:
		t.fail(given[1], "[[notify]] has exactly one of url, url_file and command; %s stands already", given[0])
	}
	scheme, _, _ := strings.Cut(n.URL, ":")
	switch placeholder := strings.Contains(n.URL, SecretHere); {
	case n.URL != "" && placeholder && n.Secret == "":
		t.fail("url", "has %s, but no secret says which file holds it", SecretHere)
	case n.URL != "" && n.Secret != "" && !placeholder && scheme != "http" && scheme != "https":
		t.fail("secret", "has no place in url: write %s there (only http and https take it as a bearer token without)", SecretHere)
	case n.Secret != "" && n.Command != nil:
		t.fail("secret", "belongs to url and url_file; a command reads its own secrets")
	}
	if n.Timeout < time.Second || n.Timeout > 5*time.Minute {
		t.fail("timeout", "must be from 1s to 5m: one try that hangs longer keeps all later ones waiting")
	}
	if n.AliveAt.Given && n.Quiet.Within(n.AliveAt.Minute) {
		t.fail("alive_at", "lies within quiet: the sign of life is no alarm, so choose a time outside")
	}
	t.done()
	return n
}

// linesTable reads one [[lines]].
func linesTable(t *table) Lines {
	to := need(t, "to", lineOutlet)
	kind, _, _ := strings.Cut(to, ":")
	web := kind == "http" || kind == "https"
	spool := int64(0)
	if web || kind == "tcp" || kind == "unix" {
		spool = 100e6
	}
	l := Lines{
		To:        to,
		TokenFile: get(t, "token_file", "", text),
		Gzip:      get(t, "gzip", web, truth),
		Precision: get(t, "precision", "ns", oneOf("ns", "us", "ms", "s")),
		Every:     get(t, "every", 0, everyReading),
		Batch:     get(t, "batch", 5000, wholeFrom(1, 50000)),
		Age:       get(t, "age", time.Second, duration),
		Spool:     get(t, "spool", spool, spoolSize),
		Rotate:    get(t, "rotate", 0, byteSize),
		Keep:      get(t, "keep", 5, wholeFrom(0, 1000)),
	}
	for _, key := range []string{"token_file", "gzip"} {
		if t.has(key) && to != "" && !web {
			t.fail(key, "belongs to http and https")
		}
	}
	for _, key := range []string{"rotate", "keep"} {
		if t.has(key) && to != "" && kind != "file" {
			t.fail(key, "belongs to file:PATH")
		}
	}
	if t.has("keep") && !t.has("rotate") && kind == "file" {
		t.fail("keep", "needs rotate: nothing is rotated without it")
	}
	if l.Precision == "s" && l.Every < time.Second {
		t.fail("precision", `"s" would put the readings of a second on one stamp: add every = "1s" or more`)
	}
	if l.Age > time.Minute {
		t.fail("age", "must be at most 1m: what waits in memory is lost when the power goes")
	}
	t.done()
	return l
}

// everyReading is "reading" (0), or the length of the windows to take mean, min
// and max over.
func everyReading(v any) (time.Duration, error) {
	if v == "reading" {
		return 0, nil
	}
	d, err := duration(v)
	if err != nil || d < 100*time.Millisecond || d > time.Hour || d%time.Millisecond != 0 {
		return 0, errors.New(`must be "reading", or from "100ms" to "1h" for mean, min and max over so long`)
	}
	return d, nil
}

// spoolSize is a size, or "none" (0).
func spoolSize(v any) (int64, error) {
	if v == "none" {
		return 0, nil
	}
	n, err := byteSize(v)
	if err != nil {
		return 0, errors.New(`must be a size in quotes, such as "100MB" or "2GB", or "none"`)
	}
	return n, nil
}

// SecretHere is what the secret's content replaces in a notification URL.
const SecretHere = "{secret}"

// clock is a time of day such as "08:00".
func clock(v any) (Clock, error) {
	s, _ := v.(string)
	at, err := time.Parse("15:04", s)
	if err != nil || len(s) != len("15:04") {
		return Clock{}, errors.New(`must be a time of day from "00:00" to "23:59", in quotes`)
	}
	return Clock{Given: true, Minute: 60*at.Hour() + at.Minute()}, nil
}

// hours are two times of day such as "22:00-07:00".
func hours(v any) (Hours, error) {
	s, _ := v.(string)
	a, b, _ := strings.Cut(s, "-")
	from, err1 := clock(a)
	to, err2 := clock(b)
	if err1 != nil || err2 != nil || from == to {
		return Hours{}, errors.New(`must be two different times of day in quotes, such as "22:00-07:00"`)
	}
	return Hours{Given: true, From: from.Minute, To: to.Minute}, nil
}

// webURL is an address that a browser can open.
func webURL(v any) (string, error) {
	s, err := text(v)
	if err != nil {
		return "", err
	}
	if u, err := url.Parse(s); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil {
		return "", errors.New(`must be an address without a password, such as "http://192.0.2.5:8417/"`)
	}
	return s, nil
}

// alarmNames are the alarms that a cut-off may act on.
var alarmNames = []string{
	"over-dissipation", "sense-open", "plate-lead", "cutoff-failed", "record-failing", "runaway",
	"drift", "step", "no-conduction", "supply", "watch", "meter-silent", "meter-overload",
	"intermittent", "meter-wrong-function", "meter-hold", "meter-frozen", "meter-flooding", "imbalance", "not-settled", "idle-off-target",
	"meter-low-battery", "meter-auto-off", "outlet-losing", "clock-jumped", "first-power",
}

// crossCheck finds what is wrong between meters, and between a meter and the cut-off.
func (b *Bench) crossCheck(meters []*table) {
	for i, m := range b.Meters {
		t := meters[i]
		if first := b.MeterIndex(m.Name); m.Name != "" && first < i {
			t.fail("name", "already the name of the meter at %s; names are unique", meters[first].place("name"))
		}
		if m.Port == "" {
			continue
		}
		if b.Cutoff != nil && b.Cutoff.Port == m.Port {
			t.fail("port", "is the cut-off's; opening it as a meter could drop or hold the mains, so no meter may use it")
		}
		for _, o := range b.Meters[:i] {
			if o.Port != m.Port || o.Format.Name == "" || m.Format.Name == "" {
				continue
			}
			switch {
			case o.Format.Name != m.Format.Name || o.Line != m.Line:
				t.fail("port", "shared with %s, which has another format or line; meters on one port have the same", o.Name)
			case len(m.Format.Keys) == 0:
				t.fail("port", "already the port of %s; a port of format %s has one meter", o.Name, m.Format.Name)
			case maps.Equal(apart(o.Settings), apart(m.Settings)):
				t.fail("port", "shared with %s, which has the same settings; tell the two apart by one of %s", o.Name,
					strings.Join(slices.DeleteFunc(slices.Clone(m.Format.Keys), sameAnyway), ", "))
			default:
				continue
			}
			break
		}
	}
}

// sameAnyway says that two meters on one port may differ in a key and be the same.
func sameAnyway(key string) bool {
	return slices.Contains([]string{"timeout", "sample", "nplc", "remote"}, key)
}

// apart is what tells a meter from others on its port.
func apart(s drivers.Settings) drivers.Settings {
	s = maps.Clone(s)
	maps.DeleteFunc(s, func(key, _ string) bool { return sameAnyway(key) })
	return s
}

// DefaultDataDir is where records go when the bench file does not say: the service
// manager's state directory, else the user's data directory.
func DefaultDataDir() string {
	if dirs := os.Getenv("STATE_DIRECTORY"); dirs != "" {
		return filepath.SplitList(dirs)[0]
	}
	base := os.Getenv("XDG_DATA_HOME")
	if !filepath.IsAbs(base) { // the XDG Base Directory Specification: ignore a relative one
		home, err := os.UserHomeDir()
		if err != nil {
			home = "."
		}
		base = filepath.Join(home, ".local", "share")
	}
	return filepath.Join(base, "nightsoak")
}

// hostPort is an address such as 127.0.0.1:8417; the host may be left out.
func hostPort(v any) (string, error) {
	s, err := text(v)
	if err != nil {
		return "", err
	}
	_, p, err := net.SplitHostPort(s)
	if err == nil {
		_, err = strconv.ParseUint(p, 10, 16)
	}
	if err != nil {
		return "", errors.New(`must be host:port, such as "127.0.0.1:8417"`)
	}
	return s, nil
}

// portSpec is a port as the bench file names it.
func portSpec(v any) (string, error) {
	s, err := text(v)
	if err != nil {
		return "", err
	}
	if wrong, ok := errors.AsType[*port.Error](port.Check(s)); ok {
		return "", errors.New(wrong.Text)
	}
	return s, nil
}

func anyURL(v any) (string, error) {
	s, err := text(v)
	if err != nil {
		return "", err
	}
	if u, err := url.Parse(strings.ReplaceAll(s, SecretHere, "x")); err != nil || u.Scheme == "" {
		// The URL may hold a password: neither it nor the parser's error is shown.
		return "", errors.New("must be a URL with its scheme")
	}
	return s, nil
}

// lineOutlet is where line protocol goes.
func lineOutlet(v any) (string, error) {
	s, err := text(v)
	if err != nil {
		return "", err
	}
	ok := s == "stdout"
	if u, err := url.Parse(s); err == nil {
		switch u.Scheme {
		case "http", "https":
			ok = u.Host != ""
			if u.Query().Has("precision") {
				return "", errors.New("says precision itself: leave it out of the address and write the key precision")
			}
		case "udp", "tcp":
			ok = u.Hostname() != "" && u.Port() != ""
		case "file", "unix":
			ok = u.Host == "" && u.Path+u.Opaque != ""
		}
	}
	if !ok {
		return "", errors.New("must be http://host:port/write?..., https://..., tcp://host:port, udp://host:port, unix:PATH, file:PATH or stdout")
	}
	return s, nil
}
