package port

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"
)

// answerTimeout is how long the server may take to negotiate, and then to
// confirm the line setting.
const answerTimeout = 3 * time.Second

// What a client has the server set: RFC 2217, from memory, and as ser2net in the
// tests understands it. The server confirms each with its number plus 100 and
// the value that now holds.
const (
	setBaud     = 1  // bit/s in four bytes, the highest first
	setDataBits = 2  // as a number
	setParity   = 3  // index into parities
	setStopBits = 4  // index into stopBits
	setControl  = 5  // index into controls
	purgeData   = 12 // throw away what waits: 3, on the way in and on the way out
	confirmed   = 100
)

const (
	parities = "?NOEMS"
	noFlow   = 1
	dtrOn    = 8
	rtsOn    = 11
)

var (
	stopBits = []float64{0, 1, 2, 1.5}
	controls = map[byte]string{1: "no flow control", 2: "XON/XOFF flow control", 3: "RTS/CTS flow control",
		8: "DTR on", 9: "DTR off", 11: "RTS on", 12: "RTS off"}
)

// setting is one thing that the server is to set and to confirm.
type setting struct {
	command byte
	value   []byte
	needed  bool // the port is not open before it is confirmed
}

// settings are those of a line. The speed comes last: servers confirm in turn,
// so once it is confirmed, what is not needed has been confirmed or never is.
func (l Line) settings() []setting {
	modem := func(on byte, raise bool) setting {
		if raise {
			return setting{setControl, []byte{on}, true}
		}
		return setting{setControl, []byte{on + 1}, false} // a port without modem lines says nothing
	}
	return []setting{
		{setDataBits, []byte{byte(l.DataBits)}, true},
		{setParity, []byte{byte(strings.IndexByte(parities, l.Parity))}, true},
		{setStopBits, []byte{byte(slices.Index(stopBits, l.StopBits))}, true},
		{setControl, []byte{noFlow}, true},
		modem(dtrOn, l.DTR),
		modem(rtsOn, l.RTS),
		{setBaud, binary.BigEndian.AppendUint32(nil, uint32(l.Baud)), true},
	}
}

// isAnswer says that the server's command and value are about s. The values of
// setControl come in threes: ask, on, off.
func (s setting) isAnswer(command byte, value []byte) bool {
	return command == s.command+confirmed &&
		(s.command != setControl || len(value) == 1 && (value[0]-1)/3 == (s.value[0]-1)/3)
}

// String is the setting as a person says it.
func (s setting) String() string {
	if s.command == setBaud && len(s.value) == 4 {
		return fmt.Sprintf("%d bit/s", binary.BigEndian.Uint32(s.value))
	}
	if len(s.value) == 1 {
		v := s.value[0]
		switch {
		case s.command == setDataBits:
			return fmt.Sprintf("%d data bits", v)
		case s.command == setParity && int(v) < len(parities):
			return "parity " + parities[v:v+1]
		case s.command == setStopBits && int(v) < len(stopBits):
			return fmt.Sprintf("%v stop bits", stopBits[v])
		case s.command == setControl && controls[v] != "":
			return controls[v]
		}
	}
	return fmt.Sprintf("bytes % x", s.value)
}

// rfc2217Conn is a serial port behind a telnet server that lets its client set
// the line.
type rfc2217Conn struct {
	*tcpConn
	in          telnet
	disagreed   [][2]byte // verb and option, of what the server has yet to agree to
	settings    []setting // all that the server was asked for
	unconfirmed []setting // of them, those needed and not confirmed yet
}

func openRFC2217(ctx context.Context, spec, addr string, l Line) (Conn, error) {
	tcp, err := dial(ctx, spec, addr)
	if err != nil {
		return nil, err
	}
	c := &rfc2217Conn{tcpConn: tcp, settings: l.settings()}
	if err := c.begin(ctx); err != nil {
		tcp.Close()
		return nil, err
	}
	return c, nil
}

// begin comes to terms with the server and has it set the line. What came from
// the line before that is thrown away, here and at the server.
func (c *rfc2217Conn) begin(ctx context.Context) error {
	defer context.AfterFunc(ctx, func() { c.Close() })()
	var said []byte
	err := c.negotiate(&said)
	if err == nil {
		err = c.set(&said)
	}
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fail(c.spec, ctx.Err(), "given up while the serial server was asked to set the line: %v", ctx.Err())
	case errors.Is(err, ErrGone):
		saying := ""
		if len(said) > 0 {
			saying = fmt.Sprintf(", saying %q", bytes.TrimSpace(said))
		}
		return fail(c.spec, err, "the serial server hung up at once%s: does another client have the port?", saying)
	}
	return err
}

// negotiate agrees on the telnet options.
func (c *rfc2217Conn) negotiate(said *[]byte) error {
	c.disagreed = [][2]byte{{telnetDO, optBinary}, {telnetWILL, optBinary}, {telnetDO, optComPort}}
	var ask []byte
	for _, option := range []byte{optBinary, optNoGoAhead, optComPort} {
		ask = append(ask, telnetIAC, telnetWILL, option, telnetIAC, telnetDO, option)
	}
	err := c.converse(ask, said, func() bool { return len(c.disagreed) == 0 })
	if err == errLate {
		err = fail(c.spec, os.ErrDeadlineExceeded, "no RFC 2217 answer within %v: is this a raw port? write %s", answerTimeout, c.raw())
	}
	return err
}

// set has the server set the line.
func (c *rfc2217Conn) set(said *[]byte) error {
	var ask []byte
	for _, s := range c.settings {
		ask = append(ask, comPort(s.command, s.value...)...)
		if s.needed {
			c.unconfirmed = append(c.unconfirmed, s)
		}
	}
	ask = append(ask, comPort(purgeData, 3)...)
	err := c.converse(ask, said, func() bool { return len(c.unconfirmed) == 0 })
	if err == errLate {
		err = fail(c.spec, os.ErrDeadlineExceeded, "the serial server does not confirm %v within %v: can it do this line setting?",
			c.unconfirmed[0], answerTimeout)
	}
	return err
}

// SetDTR makes the port ModemLines, with SetRTS.
func (c *rfc2217Conn) SetDTR(up bool) error { return c.drive(dtrOn, up) }

// SetRTS is SetDTR for the other line.
func (c *rfc2217Conn) SetRTS(up bool) error { return c.drive(rtsOn, up) }

// drive sets one modem line and waits for the server to confirm it.
func (c *rfc2217Conn) drive(on byte, up bool) error {
	s := setting{setControl, []byte{on}, true}
	if !up {
		s.value[0]++
	}
	for i := range c.settings { // what was asked at the beginning holds no longer
		if c.settings[i].isAnswer(setControl+confirmed, s.value) {
			c.settings[i] = s
		}
	}
	c.unconfirmed = []setting{s}
	var said []byte
	err := c.converse(comPort(s.command, s.value...), &said, func() bool { return len(c.unconfirmed) == 0 })
	if err == errLate {
		err = fail(c.spec, os.ErrDeadlineExceeded, "the serial server does not confirm %v within %v: has its port modem lines?", s, answerTimeout)
	}
	return err
}

// raw is how the port is named that passes bytes and no more.
func (c *rfc2217Conn) raw() string { return strings.Replace(c.spec, "rfc2217:", "tcp:", 1) }

// errLate says that the server took too long.
var errLate = errors.New("no answer in time")

// maxSaid bounds what is quoted of a server that talks instead of negotiating, bytes.
const maxSaid = 100

// converse sends, and reads until done. What it reads that is no command it
// adds to said.
func (c *rfc2217Conn) converse(send []byte, said *[]byte, done func() bool) error {
	if _, err := c.tcpConn.Write(send); err != nil {
		return err
	}
	buf := make([]byte, 256)
	for until := time.Now().Add(answerTimeout); !done(); {
		n, err := c.readUntil(until, buf)
		if n == 0 && err == nil {
			return errLate
		}
		data, e := c.take(buf[:n])
		*said = append(*said, data[:min(len(data), maxSaid-len(*said))]...)
		if err = cmp.Or(err, e); err != nil {
			return err
		}
	}
	return nil
}

// comPort is a command to set something.
func comPort(command byte, value ...byte) []byte {
	return subnegotiation(optComPort, append([]byte{command}, value...)...)
}

func (c *rfc2217Conn) Read(p []byte) (int, error) {
	for deadline := c.deadline(); ; {
		n, err := c.readUntil(deadline, p)
		if n == 0 || err != nil {
			return 0, err
		}
		if data, err := c.take(p[:n]); len(data) > 0 || err != nil {
			return len(data), err
		}
	}
}

func (c *rfc2217Conn) Write(p []byte) (int, error) {
	if _, err := c.tcpConn.Write(escape(p)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// take obeys the commands in p, and moves the data to its front.
func (c *rfc2217Conn) take(p []byte) ([]byte, error) {
	data, err := c.in.feed(p, c.command)
	if errors.Is(err, errLongSub) {
		err = fail(c.spec, err, "the serial server sends %v: is this a raw port? write %s", err, c.raw())
	}
	return data, err
}

// command obeys one command of the server.
func (c *rfc2217Conn) command(verb, option byte, value []byte) error {
	switch {
	case verb == telnetSB:
		if option == optComPort && len(value) > 0 {
			return c.confirm(value[0], value[1:])
		}
		return nil
	case option == optComPort && verb == telnetDONT:
		return fail(c.spec, errors.ErrUnsupported, "the serial server refuses RFC 2217: switch it on there, or set the line there and write %s", c.raw())
	case option == optBinary && (verb == telnetDONT || verb == telnetWONT):
		return fail(c.spec, errors.ErrUnsupported, "the serial server refuses to pass bytes unchanged (telnet's binary option): switch it on there")
	case option == optBinary, option == optNoGoAhead, option == optComPort: // asked for at the beginning
		c.disagreed = slices.DeleteFunc(c.disagreed, func(d [2]byte) bool { return d == [2]byte{verb, option} })
		return nil
	case verb == telnetDO:
		return c.reply(telnetWONT, option)
	case verb == telnetWILL:
		return c.reply(telnetDONT, option)
	}
	return nil
}

func (c *rfc2217Conn) reply(verb, option byte) error {
	_, err := c.tcpConn.Write([]byte{telnetIAC, verb, option})
	return err
}

// confirm takes what the server says that now holds. What was not asked for,
// such as the state of the modem lines, is passed over.
func (c *rfc2217Conn) confirm(command byte, value []byte) error {
	for _, s := range c.settings {
		if s.isAnswer(command, value) && !bytes.Equal(s.value, value) {
			return fail(c.spec, ErrLine, "asked for %v, the serial server answers %v: it cannot do that, or another client has changed it",
				s, setting{command: s.command, value: value})
		}
	}
	c.unconfirmed = slices.DeleteFunc(c.unconfirmed, func(s setting) bool { return s.isAnswer(command, value) })
	return nil
}
