package modbus

import (
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightsoak/drivers"

	library "github.com/simonvetter/modbus"
)

// bank is a meter's registers behind the library's server.
type bank struct {
	unit             uint8
	input, holding   map[uint16]uint16
	refuses          map[uint16]error // by first register
	coils            []bool
	stuck, writeOnly bool // the coils
}

func (b *bank) read(table map[uint16]uint16, unit uint8, first, count uint16) (values []uint16, err error) {
	if err, refused := b.refuses[first]; refused {
		return nil, err
	}
	if unit != b.unit {
		return nil, library.ErrGWTargetFailedToRespond
	}
	for i := range count {
		v, ok := table[first+i]
		if !ok {
			return nil, library.ErrIllegalDataAddress
		}
		values = append(values, v)
	}
	return values, nil
}

func (b *bank) HandleInputRegisters(r *library.InputRegistersRequest) ([]uint16, error) {
	return b.read(b.input, r.UnitId, r.Addr, r.Quantity)
}

func (b *bank) HandleHoldingRegisters(r *library.HoldingRegistersRequest) ([]uint16, error) {
	if r.IsWrite {
		return nil, library.ErrServerDeviceFailure
	}
	return b.read(b.holding, r.UnitId, r.Addr, r.Quantity)
}

func (b *bank) HandleCoils(r *library.CoilsRequest) ([]bool, error) {
	if b.coils == nil || b.writeOnly && !r.IsWrite {
		return nil, library.ErrIllegalFunction
	}
	if r.UnitId != b.unit || r.Quantity != 1 || int(r.Addr) >= len(b.coils) {
		return nil, library.ErrIllegalDataAddress
	}
	if r.IsWrite && !b.stuck {
		b.coils[r.Addr] = r.Args[0]
	}
	return b.coils[r.Addr : r.Addr+1], nil
}

func (*bank) HandleDiscreteInputs(*library.DiscreteInputsRequest) ([]bool, error) {
	return nil, library.ErrIllegalFunction
}

// socket is a TCP connection as a Conn.
type socket struct {
	net.Conn
	timeout time.Duration
}

func (s *socket) SetReadTimeout(d time.Duration) error { s.timeout = d; return nil }

func (s *socket) Read(p []byte) (int, error) {
	if err := s.SetReadDeadline(time.Now().Add(max(s.timeout, time.Millisecond))); err != nil {
		return 0, err
	}
	n, err := s.Conn.Read(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}

// serve runs the library's server and connects to it.
func serve(t *testing.T, b *bank) *socket {
	t.Helper()
	for range 10 {
		// The library does not tell which port it got, so one that was free is given it.
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		at := l.Addr().String()
		l.Close()
		server, err := library.NewServer(&library.ServerConfiguration{URL: "tcp://" + at, Logger: log.New(io.Discard, "", 0)}, b)
		if err != nil {
			t.Fatal(err)
		}
		if server.Start() != nil {
			continue // somebody took the port
		}
		t.Cleanup(func() { server.Stop() })
		c, err := net.Dial("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return &socket{Conn: c}
	}
	t.Fatal("no port for the server")
	return nil
}

// TestLibraryServer: the driver reads the server of another implementation.
func TestLibraryServer(t *testing.T) {
	b := &bank{
		unit:    7,
		input:   map[uint16]uint16{0: 0x42F6, 1: 0xE979, 2: 0xFE63, 65535: 1},
		holding: map[uint16]uint16{107: 0x2BF4, 108: 0xF8FF, 109: 0x7F80, 110: 0},
		refuses: map[uint16]error{
			201: library.ErrIllegalFunction, 202: library.ErrIllegalDataAddress, 203: library.ErrIllegalDataValue,
			204: library.ErrServerDeviceFailure, 205: library.ErrAcknowledge, 206: library.ErrServerDeviceBusy,
			208: library.ErrMemoryParityError, 210: library.ErrGWPathUnavailable, 211: library.ErrGWTargetFailedToRespond,
		},
	}
	c := serve(t, b)
	ask := func(changes ...string) (drivers.Reading, error) {
		return newTestAsker(t, settings(append(changes, "framing=tcp", "timeout=10s")...)).Ask(c)
	}
	for range 2 {
		for change, want := range map[string]string{
			"address=7": "123.456 mV",
			"address=7 register=2 type=int16 step=0.1":                          "-41.3 mV",
			"address=7 register=65535 type=uint16":                              "1 mV",
			"address=7 table=holding register=107 type=int32 words=DCBA unit=V": "-461781 V",
			"address=7 table=holding register=109":                              "OL mV overload",
		} {
			if r, err := ask(strings.Fields(change)...); err != nil || show(r) != want {
				t.Errorf("%s: %v, %v; want %s", change, r, err, want)
			}
		}
		for register := range b.refuses {
			code := register - 200
			_, err := ask("address=7", "register="+strconv.Itoa(int(register)))
			wantReply(t, err, drivers.BadReply, fmt.Sprintf("%s (%d) for registers", exceptions[byte(code)].name, code))
		}
		_, err := ask("address=7", "register=2")
		wantReply(t, err, drivers.BadReply, "illegal data address (2) for registers 2 and 3 of the input table")
		_, err = ask("address=8")
		wantReply(t, err, drivers.BadReply, "address 8: gateway target device failed to respond (11)")
	}
	if s, sure, err := Format.Identify(c); err != nil || sure < 0.9 || s["framing"] != "tcp" {
		t.Errorf("identified as %v, sure %g, %v", s, sure, err)
	}
}
