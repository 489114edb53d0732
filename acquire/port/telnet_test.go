package port

import (
	"bytes"
	"errors"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// apart is what a telnet makes of the pieces: the data, and the commands in words.
func apart(in *telnet, pieces ...[]byte) (data []byte, commands []string, err error) {
	for _, p := range pieces {
		d, err := in.feed(bytes.Clone(p), func(verb, option byte, value []byte) error {
			commands = append(commands, fmt.Sprintf("%d %d % x", verb, option, value))
			return nil
		})
		if data = append(data, d...); err != nil {
			return data, commands, err
		}
	}
	return data, commands, nil
}

// The streams are written by hand from RFC 854 and 855 (from memory).
func TestTelnet(t *testing.T) {
	for _, c := range []struct {
		name     string
		in       string
		data     string
		commands []string
	}{
		{"data", "38.2 mV\r\n", "38.2 mV\r\n", nil},
		{"carriage return and NUL stay", "\r\x00\x00\r", "\r\x00\x00\r", nil},
		{"doubled IAC", "\xff\xffa\xff\xff\xff\xff", "\xffa\xff\xff", nil},
		{"negotiation", "a\xff\xfb\x00b\xff\xfc\x01\xff\xfd\x2c\xff\xfe\x03c", "abc", []string{"251 0 ", "252 1 ", "253 44 ", "254 3 "}},
		{"an option numbered 255", "\xff\xfd\xffa", "a", []string{"253 255 "}},
		{"subnegotiation", "a\xff\xfa\x2c\x65\x00\x00\x09\x60\xff\xf0b", "ab", []string{"250 44 65 00 00 09 60"}},
		{"doubled IAC in it", "\xff\xfa\x2c\x65\x00\x00\xff\xff\x00\xff\xf0", "", []string{"250 44 65 00 00 ff 00"}},
		{"F0 in it", "\xff\xfa\x2c\xf0\xff\xf0", "", []string{"250 44 f0"}},
		{"empty subnegotiation", "\xff\xfa\xff\xf0a", "a", nil},
		{"subnegotiation broken off by a command", "\xff\xfa\x2c\x65\xff\xfd\x00a", "a", []string{"253 0 "}},
		{"subnegotiation broken off by another", "\xff\xfa\x2c\x65\xff\xfa\x2c\x66\x08\xff\xf0a", "a", []string{"250 44 66 08"}},
		{"NOP in a subnegotiation", "\xff\xfa\x2c\xff\xf1\x66\xff\xf0", "", []string{"250 44 66"}},
		{"NOP, data mark, break, go-ahead", "a\xff\xf1b\xff\xf2c\xff\xf3d\xff\xf9e", "abcde", nil},
		{"end without a beginning", "a\xff\xf0b", "ab", nil},
		{"IAC and what is no command", "a\xff\x41b", "ab", nil},
		{"unfinished command", "a\xff", "a", nil},
		{"unfinished negotiation", "a\xff\xfd", "a", nil},
		{"unfinished subnegotiation", "a\xff\xfa\x2cbc", "a", nil},
	} {
		for cut := range len(c.in) + 1 {
			data, commands, err := apart(new(telnet), []byte(c.in[:cut]), []byte(c.in[cut:]))
			if err != nil || string(data) != c.data || !cmp.Equal(commands, c.commands) {
				t.Errorf("%s, cut at %d: data %q, commands %q, %v; want %q, %q", c.name, cut, data, commands, err, c.data, c.commands)
			}
		}
	}
}

func TestTelnetEndlessSubnegotiation(t *testing.T) {
	begin := []byte{telnetIAC, telnetSB}
	longest := bytes.Repeat([]byte{optComPort}, 1+maxSub)
	end := []byte{telnetIAC, telnetSE}
	if _, commands, err := apart(new(telnet), begin, longest, end); err != nil || len(commands) != 1 {
		t.Errorf("longest: %d commands, %v", len(commands), err)
	}
	if _, _, err := apart(new(telnet), begin, longest, []byte{0}); !errors.Is(err, errLongSub) {
		t.Errorf("longer: %v", err)
	}
}

func TestTelnetStopsAtAnError(t *testing.T) {
	refused := errors.New("refused")
	for _, in := range []string{"a\xff\xfe\x2cb", "a\xff\xfa\x2c\x01\xff\xf0b"} {
		data, err := new(telnet).feed([]byte(in), func(byte, byte, []byte) error { return refused })
		if err != refused || string(data) != "a" {
			t.Errorf("%q: %q, %v", in, data, err)
		}
	}
}

func FuzzTelnet(f *testing.F) {
	for _, s := range []string{"", "38.2 mV\r\n", "a\xff\xff", "\xff\xfb\x00\xff\xfd\x2c", "\xff\xfa\x2c\x65\x00\x00\xff\xff\x60\xff\xf0b",
		"\xff\xfa\x2c\x65\xff\xfd\x00a", "\xff\xfa\xff\xf0", "\xff\xfa\xff\xfa\xff", "\xff\xff\xff", "\xff\xfd\xff\xff\xff"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		in := new(telnet)
		data, commands, err := apart(in, p)
		if len(in.sub) > 1+maxSub || len(data) > len(p) || 2*len(commands) > len(p) {
			t.Errorf("%d bytes gave %d bytes, %d commands, %d kept", len(p), len(data), len(commands), len(in.sub))
		}
		bytewise := make([][]byte, len(p))
		for i := range p {
			bytewise[i] = p[i : i+1]
		}
		again, commandsAgain, errAgain := apart(new(telnet), bytewise...)
		if !bytes.Equal(data, again) || !cmp.Equal(commands, commandsAgain) || err != errAgain {
			t.Errorf("whole: %q, %q, %v; byte by byte: %q, %q, %v", data, commands, err, again, commandsAgain, errAgain)
		}
		data, commands, err = apart(new(telnet), escape(p))
		if !bytes.Equal(data, p) || commands != nil || err != nil {
			t.Errorf("% x escaped comes back as % x, %q, %v", p, data, commands, err)
		}
	})
}
