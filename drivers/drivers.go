package drivers

import (
	"fmt"
	"io"
	"time"
)

// Reason says why bytes were rejected. It is the label of the counter
// nightsoak_meter_rejected_frames_total, so there are few and they are fixed.
type Reason uint8

// The reasons.
const (
	Noise     Reason = iota // bytes that belong to no frame, or a frame whose checksum is wrong
	Short                   // a frame that ended too soon
	BadDigit                // a digit position that shows no digit
	BadStatus               // units, range or flags that contradict each other
	BadReply                // an answer that is not the answer to what was asked
	NoReply                 // no answer in time
	TooMany                 // a whole frame, left out because its meter sends more than are used
	numReasons
)

var reasonNames = [numReasons]string{"noise", "short", "digit", "status", "reply", "timeout", "too-many"}

// String is the reason as the metric's label shows it.
func (r Reason) String() string { return reasonNames[r] }

// Rejects counts rejected frames by reason.
type Rejects [numReasons]uint64

// Total is the sum over all reasons.
func (r *Rejects) Total() uint64 {
	var n uint64
	for _, v := range r {
		n += v
	}
	return n
}

// Decoder is a driver that listens: the meter talks by itself. A Decoder is
// fed whatever bytes came, in pieces of any size, finds the frames in them,
// resynchronises by itself after loss or noise, never blocks and never
// allocates per frame. Where nothing in a frame marks its beginning for certain,
// what seemed a frame and is none is given up from its second byte on, not whole:
// another may have begun inside it. It is used by one goroutine.
type Decoder interface {
	// Feed takes the bytes that came and calls emit for each whole, valid frame in them.
	Feed(p []byte, emit func(Reading))
	// Rejects counts what was thrown away since the decoder was made.
	Rejects() Rejects
}

// Conn is the byte stream to a meter that is asked.
type Conn interface {
	io.Reader // returns (0, nil) when the read timeout passed with nothing
	io.Writer
	// SetReadTimeout bounds each following Read, wall time; 0 takes what has come already.
	SetReadTimeout(d time.Duration) error
}

// Asker is a driver that asks: request, answer, with a deadline. It is used by
// one goroutine. An error that wraps a Reply is a matter between driver and
// meter and is counted under its Reason; any other error is the port's, and
// the port is opened anew.
type Asker interface {
	// Ask performs one exchange and returns one reading.
	Ask(c Conn) (Reading, error)
}

// Leaver is an Asker that can leave its meter as it was found: it is told
// before the port is closed, if the port still works.
type Leaver interface {
	// Leave sends what gives the meter back to the hand. Its error is the port's.
	Leave(c Conn) error
}

// Sharer is an Asker that must know whether it has the port to itself.
type Sharer interface {
	// Shared tells it, before the first Ask, that others ask on the same port.
	Shared()
}

// Reply is an error in what a meter answered, or that it did not answer.
type Reply struct {
	Reason Reason
	Err    error // what came, where, and how to mend it
}

func (e *Reply) Error() string { return e.Err.Error() }
func (e *Reply) Unwrap() error { return e.Err }

// Settings are the options of one meter that its format has beyond those of
// every meter, by their key in the bench file. A key that the file does not
// give is absent; a number stands as the file writes it.
type Settings map[string]string

// SettingError says which of the Settings is wrong.
type SettingError struct {
	Key string
	Err error // what is wrong and how to mend it
}

func (e *SettingError) Error() string { return fmt.Sprintf("%s: %v", e.Key, e.Err) }
func (e *SettingError) Unwrap() error { return e.Err }

// BadSetting makes a SettingError.
func BadSetting(key, format string, args ...any) error {
	return &SettingError{key, fmt.Errorf(format, args...)}
}

// Timeout reads the key "timeout", the wall time that an answer may take:
// usual when it is absent. The error is a SettingError.
func (s Settings) Timeout(usual time.Duration) (time.Duration, error) {
	text, given := s["timeout"]
	if !given {
		return usual, nil
	}
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 {
		return 0, BadSetting("timeout", "%q is not a time to wait: write for example %q", text, usual)
	}
	return d, nil
}

// Format describes one wire format. Exactly one of NewDecoder and NewAsker is
// set; it fails with a SettingError where one setting is to blame.
type Format struct {
	Name   string // as written in the bench file: lower case, a chip or a standard
	Line   string // usual line settings: "2400 8N1", plus "dtr" or "rts" to assert a modem line
	Source string // where the layout is published; "from memory" where it was not at hand

	Keys  []string // the keys of Settings that it takes
	Lines []string // further line settings worth trying when it is not known which meter this is

	NewDecoder func(Settings) (Decoder, error)
	NewAsker   func(Settings) (Asker, error)

	// Identify, of a format that asks, finds out whether a silent port speaks
	// it, within about 2 s and sending nothing that could change a meter. It
	// returns what settings it found out and how sure it is, from 0 (not at all)
	// to 1. Its error is the port's. Nil where there is no such question.
	Identify func(Conn) (Settings, float64, error)
}

// Unset is the NewDecoder of a format without settings.
func Unset(d func() Decoder) func(Settings) (Decoder, error) {
	return func(Settings) (Decoder, error) { return d(), nil }
}

// Plain is a decoder that is set in no way; nil where the format asks, or
// cannot do without settings.
func (f Format) Plain() Decoder {
	if f.NewDecoder == nil {
		return nil
	}
	d, err := f.NewDecoder(nil)
	if err != nil {
		return nil
	}
	return d
}

// Kind is "listens" or "asks".
func (f Format) Kind() string {
	if f.NewDecoder != nil {
		return "listens"
	}
	return "asks"
}
