package port

import (
	"bytes"
	"errors"
)

// The commands of telnet that matter here (RFC 854), and its options. The
// numbers are from memory; ser2net, in the tests, understands them.
const (
	telnetSE   = 240 // end of a subnegotiation
	telnetSB   = 250 // a subnegotiation
	telnetWILL = 251
	telnetWONT = 252
	telnetDO   = 253
	telnetDONT = 254
	telnetIAC  = 255 // what follows is a command

	optBinary    = 0  // RFC 856: eight bits, and carriage returns as they are
	optNoGoAhead = 3  // RFC 858: no go-ahead after each turn
	optComPort   = 44 // RFC 2217
)

// maxSub bounds the parameters of a subnegotiation, bytes.
const maxSub = 1024

var errLongSub = errors.New("a telnet subnegotiation that does not end")

// telnet takes apart what a server sends: data, and commands in between. It
// goes a byte at a time, so that a command may be split over any number of
// reads. The zero value begins with data.
type telnet struct {
	iac  bool   // the last byte was an IAC that waits for its command
	verb byte   // WILL, WONT, DO or DONT that waits for its option; SB while in a subnegotiation
	sub  []byte // of the subnegotiation so far
}

// feed moves the data in p to its front and returns it. For each command it
// calls command with the verb, the option and, of a subnegotiation, the
// parameters, which are valid until it returns. Commands without an option, such
// as NOP and go-ahead, mean nothing here and are dropped. The first error ends it.
func (t *telnet) feed(p []byte, command func(verb, option byte, value []byte) error) ([]byte, error) {
	data := p[:0]
	for _, b := range p {
		if t.verb != 0 && t.verb != telnetSB {
			verb := t.verb
			t.verb = 0
			if err := command(verb, b, nil); err != nil {
				return data, err
			}
			continue
		}
		if b == telnetIAC && !t.iac {
			t.iac = true
			continue
		}
		isCommand := t.iac && b != telnetIAC
		t.iac = false
		switch {
		case !isCommand && t.verb == telnetSB:
			if len(t.sub) > maxSub {
				return data, errLongSub
			}
			t.sub = append(t.sub, b)
		case !isCommand:
			data = append(data, b)
		case b == telnetSE && t.verb == telnetSB:
			t.verb = 0
			if len(t.sub) == 0 {
				continue
			}
			if err := command(telnetSB, t.sub[0], t.sub[1:]); err != nil {
				return data, err
			}
		case b >= telnetSB: // in a subnegotiation it breaks that off
			t.verb, t.sub = b, t.sub[:0]
		}
	}
	return data, nil
}

// escape doubles the bytes that telnet would take for a command.
func escape(p []byte) []byte {
	return bytes.ReplaceAll(p, []byte{telnetIAC}, []byte{telnetIAC, telnetIAC})
}

// subnegotiation is the bytes of one.
func subnegotiation(option byte, value ...byte) []byte {
	b := append([]byte{telnetIAC, telnetSB, option}, escape(value)...)
	return append(b, telnetIAC, telnetSE)
}
