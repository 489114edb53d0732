package bench

import (
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// cutoffKeys are the keys that only some ways have.
var cutoffKeys = map[string][]string{
	"line":    {"port", "line", "lease", "hold_every"},
	"bytes":   {"port", "serial", "hold", "drop", "reply", "lease", "hold_every", "timeout"},
	"modbus":  {"port", "serial", "address", "coil", "framing", "drop", "lease", "hold_every", "timeout"},
	"command": {"command", "timeout"},
	"http":    {"url", "url_file", "method", "body", "token_file", "timeout"},
}

// highAlarms are those that come to high priority; no other one cuts.
var highAlarms = []string{"over-dissipation", "sense-open", "plate-lead", "runaway", "record-failing", "first-power"}

func cutoff(t *table) *Cutoff {
	c := &Cutoff{
		By:          need(t, "by", oneOf("line", "bytes", "modbus", "command", "http")),
		When:        need(t, "when", texts),
		After:       get(t, "after", 0, duration),
		ProveWithin: get(t, "prove_within", 10*time.Second, duration),
		Timeout:     2 * time.Second,
		Lease:       2 * time.Second,
	}
	alarmsNamed(t, c.When)
	own := cutoffKeys[c.By]
	for _, by := range []string{"line", "bytes", "modbus", "command", "http"} {
		for _, key := range cutoffKeys[by] {
			if slices.Contains(own, key) || slices.Contains(t.asked, key) {
				continue
			}
			t.asked = append(t.asked, key)
			if t.has(key) && c.By != "" {
				t.fail(key, "belongs to by = %q, not to by = %q", by, c.By)
			}
		}
	}
	if slices.Contains(own, "port") {
		if !t.has("port") {
			t.fail("port", "is missing from [cutoff]: by = %q drives a port", c.By)
		}
		c.Port = get(t, "port", "", portSpec)
	}
	if slices.Contains(own, "timeout") {
		c.Timeout = get(t, "timeout", c.Timeout, duration)
	}
	switch c.By {
	case "line":
		c.Line = get(t, "line", "dtr", oneOf("dtr", "rts"))
		c.HoldEvery = get(t, "hold_every", 50*time.Millisecond, duration)
		if strings.HasPrefix(c.Port, "tcp:") || strings.HasPrefix(c.Port, "usbtmc:") {
			t.fail("port", "has no modem lines: by = \"line\" needs a serial device or rfc2217://host:port")
		}
	case "bytes":
		c.Serial = get(t, "serial", "9600 8N1", lineSettings)
		c.Drop = need(t, "drop", byteString)
		c.Hold = get(t, "hold", nil, byteString)
		c.Reply = get(t, "reply", nil, byteString)
		if c.HoldEvery = get(t, "hold_every", 0, duration); c.HoldEvery > 0 && !t.has("hold") {
			t.fail("hold_every", "but there is no hold: write the bytes that are to be repeated")
		}
	case "modbus":
		c.Serial = get(t, "serial", "9600 8N1", lineSettings)
		c.TCP = get(t, "framing", "rtu", oneOf("rtu", "tcp")) == "tcp"
		lowest, highest := 1, 247
		if c.TCP {
			lowest, highest = 0, 255
		}
		c.Address = byte(get(t, "address", 1, wholeFrom(lowest, highest)))
		c.Coil = uint16(need(t, "coil", wholeFrom(0, 65535)))
		c.DropOn = get(t, "drop", "off", oneOf("off", "on")) == "on"
		c.HoldEvery = get(t, "hold_every", 0, duration)
	case "command":
		c.Command = need(t, "command", texts)
	case "http":
		c.URL, c.URLFile = get(t, "url", "", httpURL), get(t, "url_file", "", text)
		if t.has("url") == t.has("url_file") {
			t.fail("url", "[cutoff] by = \"http\" needs one of url and url_file")
		}
		c.Method = get(t, "method", "POST", oneOf("GET", "POST", "PUT"))
		c.Body = get(t, "body", "", anyText)
		c.TokenFile = get(t, "token_file", "", text)
	}
	if slices.Contains(own, "lease") {
		if c.Lease = get(t, "lease", c.Lease, duration); c.HoldEvery >= c.Lease {
			t.fail("hold_every", "must be shorter than lease (%v)", c.Lease)
		}
	}
	t.done()
	return c
}

// alarmsNamed says which of the names under "when" is no alarm's.
func alarmsNamed(t *table, names []string) {
	for _, name := range names {
		if !slices.Contains(alarmNames, name) {
			t.fail("when", "no such alarm: %q; %s", name, known(name, alarmNames))
		}
	}
}

// jobCutoff reads [cutoff] of a job.
func jobCutoff(top *table, b *Bench) JobCutoff {
	t, given := top.sub("cutoff")
	c := JobCutoff{After: -1}
	if !given {
		return c
	}
	c.When = get(t, "when", nil, texts)
	c.After = get(t, "after", c.After, duration)
	alarmsNamed(t, c.When)
	if b.Cutoff == nil {
		top.fail("cutoff", "needs a [cutoff] in the bench file, which says how")
	}
	t.done()
	return c
}

// checkLease finds a lease that no meter can renew in time.
func (b *Bench) checkLease(t *table) {
	c := b.Cutoff
	if c.HoldEvery == 0 || len(b.Meters) == 0 || slices.ContainsFunc(b.Meters, func(m Meter) bool { return m.Format.NewAsker == nil || m.Every < c.Lease }) {
		return
	}
	t.fail("lease", "is %v, but every meter is asked more seldom than that: the hold would break off between two readings", c.Lease)
}

// byteString reads bytes: "hex: A0 01 00 A1", or text in which \r, \n, \t, \\
// and \xA0 stand for what cannot be written. At most 256.
func byteString(v any) ([]byte, error) {
	s, ok := v.(string)
	if !ok {
		return nil, errors.New("must be text in quotes")
	}
	b, err := parseBytes(s)
	if err == nil && (len(b) == 0 || len(b) > 256) {
		err = errors.New("must be 1 to 256 bytes")
	}
	if err != nil {
		return nil, fmt.Errorf(`%w: write "hex: A0 01 00 A1", or text such as 'OFF\r' in single quotes, with \r, \n, \t, \\ and \xA0`, err)
	}
	return b, nil
}

func parseBytes(s string) ([]byte, error) {
	if digits, ok := strings.CutPrefix(s, "hex:"); ok {
		b, err := hex.DecodeString(strings.Join(strings.Fields(digits), ""))
		if err != nil {
			return nil, errors.New("is not pairs of hexadecimal digits")
		}
		return b, nil
	}
	var b []byte
	for i := 0; i < len(s); i++ {
		c := s[i]
		if c >= utf8.RuneSelf {
			return nil, fmt.Errorf("character %d is not ASCII, and how the board wants it nobody knows", i+1)
		}
		if c != '\\' {
			b = append(b, c)
			continue
		}
		i++
		if i == len(s) {
			return nil, errors.New(`ends with a lone \`)
		}
		switch s[i] {
		case 'r':
			b = append(b, '\r')
		case 'n':
			b = append(b, '\n')
		case 't':
			b = append(b, '\t')
		case '\\':
			b = append(b, '\\')
		case 'x':
			if i+2 >= len(s) {
				return nil, errors.New(`\x needs two hexadecimal digits`)
			}
			n, err := strconv.ParseUint(s[i+1:i+3], 16, 8)
			if err != nil {
				return nil, errors.New(`\x needs two hexadecimal digits`)
			}
			b = append(b, byte(n))
			i += 2
		default:
			return nil, fmt.Errorf(`\%c stands for nothing`, s[i])
		}
	}
	return b, nil
}

// anyText is text of any characters, which may be empty.
func anyText(v any) (string, error) {
	s, ok := v.(string)
	if !ok {
		return "", errors.New("must be text in quotes")
	}
	return s, nil
}

// httpURL is anyURL for http and https.
func httpURL(v any) (string, error) {
	s, err := anyURL(v)
	if err == nil && !strings.HasPrefix(s, "http://") && !strings.HasPrefix(s, "https://") {
		err = errors.New("must begin with http:// or https://")
	}
	return s, err
}

// cutoffLines say in the wiring sheet what drops the mains, and when not.
func (s *sheet) cutoffLines(say func(format string, args ...any)) {
	c := s.bench.Cutoff
	if c == nil {
		say("no [cutoff]: nothing here drops the mains")
		return
	}
	if c.HoldEvery == 0 {
		say("[cutoff] by = %q does not hold by repeating: a dead or stopped daemon, or a pulled cable, drops nothing", c.By)
	}
	when := c.When
	if s.job.Cutoff.When != nil {
		when = s.job.Cutoff.When
	}
	for _, name := range when {
		if !slices.Contains(highAlarms, name) {
			say("[cutoff] when names %s, which is never of high priority: it cuts nothing", name)
		}
	}
}
