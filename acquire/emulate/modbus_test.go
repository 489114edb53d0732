package emulate

import (
	"encoding/hex"
	"errors"
	"io"
	"log"
	"math"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
	drivermodbus "nightsoak/drivers/modbus"

	library "github.com/simonvetter/modbus"
)

func newConverter(mbap bool, volts float64) *converter {
	return &converter{address: 7, mbap: mbap, noise: rand.New(rand.NewPCG(1, 2)), volts: func() float64 { return volts }}
}

// TestConverterByHand: questions with what is answered; the CRCs are published
// (see the driver's tests) or computed with an independent implementation.
func TestConverterByHand(t *testing.T) {
	tests := []struct {
		mbap             bool
		question, answer string
	}{
		{false, "07 04 00 02 00 01 90 6C", "07 04 02 7F FF 51 40"},
		{false, "FF 07 04 07 04 00 02 00 01 90 6C", "07 04 02 7F FF 51 40"}, // noise before it
		{false, "07 03 00 05 00 01 94 6D", "07 83 02 20 F0"},
		{false, "07 06 00 02 00 01 E9 AC", "07 86 01 63 A1"}, // nothing can be written
		{false, "11 03 00 6B 00 03 76 87", ""},               // another's
		{false, "07 04 00 02 00 01 90 6D", ""},               // wrong check
		{true, "00 05 00 00 00 06 07 04 00 02 00 01", "00 05 00 00 00 05 07 04 02 7F FF"},
		{true, "00 05 00 00 00 06 07 03 00 05 00 01", "00 05 00 00 00 03 07 83 02"},
		{true, "00 05 00 00 00 06 07 03 00 00 00 00", "00 05 00 00 00 03 07 83 03"},
		{true, "00 05 00 00 00 06 07 03 00 00 00 7E", "00 05 00 00 00 03 07 83 03"},
		{true, "00 05 00 00 00 04 07 03 00 00", "00 05 00 00 00 03 07 83 03"},
		{true, "00 05 00 00 00 02 07 2B", "00 05 00 00 00 03 07 AB 01"},
		{true, "00 05 00 01 00 06 07 04 00 02 00 01", ""}, // another protocol
	}
	for _, tt := range tests {
		q, err := hex.DecodeString(strings.ReplaceAll(tt.question, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		for _, size := range []int{1, len(q)} { // byte by byte, and at once
			m := newConverter(tt.mbap, 5)
			var got []byte
			for i := 0; i < len(q); i += size {
				got = append(got, m.feed(q[i:i+size])...)
			}
			if hex.EncodeToString(got) != strings.ToLower(strings.ReplaceAll(tt.answer, " ", "")) {
				t.Errorf("%s is answered with % X, want %s", tt.question, got, tt.answer)
			}
		}
	}
}

// TestLibraryClient: the client of another implementation reads the converter,
// with either framing.
func TestLibraryClient(t *testing.T) {
	for scheme, mbap := range map[string]bool{"tcp": true, "rtuovertcp": false} {
		var mu sync.Mutex
		volts := 0.0
		m := newConverter(mbap, 0)
		m.volts = func() float64 { mu.Lock(); defer mu.Unlock(); return volts }
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		go func() {
			c, err := l.Accept()
			if err != nil {
				return
			}
			defer c.Close()
			var buf [256]byte
			for {
				n, err := c.Read(buf[:])
				if err != nil {
					return
				}
				if _, err = c.Write(m.feed(buf[:n])); err != nil {
					return
				}
			}
		}()
		c, err := library.NewClient(&library.ClientConfiguration{
			URL: scheme + "://" + l.Addr().String(), Timeout: 10 * time.Second, Logger: log.New(io.Discard, "", 0)})
		if err != nil {
			t.Fatal(err)
		}
		if err = c.Open(); err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if err = c.SetUnitId(7); err != nil {
			t.Fatal(err)
		}
		for _, v := range []float64{0, 0.0413, -0.0413, 3.1} {
			mu.Lock()
			volts = v
			mu.Unlock()
			mV, err := c.ReadFloat32(0, library.INPUT_REGISTER)
			if err != nil || math.Abs(float64(mV)-1e3*v) > 0.016 {
				t.Errorf("%s: %g V is %g mV, %v", scheme, v, mV, err)
			}
			tenths, err := c.ReadRegister(2, library.HOLDING_REGISTER)
			if err != nil || math.Abs(float64(int16(tenths))-1e4*v) > 0.7 {
				t.Errorf("%s: %g V is %d tenths of mV, %v", scheme, v, int16(tenths), err)
			}
			if err = c.SetEncoding(library.BIG_ENDIAN, library.LOW_WORD_FIRST); err != nil {
				t.Fatal(err)
			}
			fine, err := c.ReadUint32(3, library.INPUT_REGISTER)
			if err != nil || math.Abs(float64(int32(fine))-1e5*v) > 1.6 {
				t.Errorf("%s: %g V is %d hundredths of mV, %v", scheme, v, int32(fine), err)
			}
			if err = c.SetEncoding(library.BIG_ENDIAN, library.HIGH_WORD_FIRST); err != nil {
				t.Fatal(err)
			}
		}
		if _, err = c.ReadFloat32(4, library.INPUT_REGISTER); !errors.Is(err, library.ErrIllegalDataAddress) {
			t.Errorf("%s: beyond the registers: %v", scheme, err)
		}
		if _, err = c.ReadCoil(0); !errors.Is(err, library.ErrIllegalFunction) {
			t.Errorf("%s: a coil: %v", scheme, err)
		}
	}
}

// registerWire joins converters on one line to the driver that asks them.
type registerWire struct {
	meters  []*converter
	pending []byte
	timeout time.Duration
}

func (w *registerWire) SetReadTimeout(d time.Duration) error { w.timeout = d; return nil }

func (w *registerWire) Write(p []byte) (int, error) {
	for _, m := range w.meters {
		w.pending = append(w.pending, m.feed(p)...)
	}
	return len(p), nil
}

func (w *registerWire) Read(p []byte) (int, error) {
	if len(w.pending) == 0 {
		time.Sleep(w.timeout)
		return 0, nil
	}
	n := copy(p, w.pending)
	w.pending = w.pending[n:]
	return n, nil
}

// TestConvertersThroughTheDriver: several converters on one line, several
// registers of each, by both framings; each question gets its own figure.
func TestConvertersThroughTheDriver(t *testing.T) {
	for _, framing := range []string{"rtu", "tcp"} {
		synctest.Test(t, func(t *testing.T) {
			w := &registerWire{}
			for i, volts := range []float64{0.0413, -0.0382, 5} {
				m := newConverter(framing == "tcp", volts)
				m.address = byte(i + 1)
				w.meters = append(w.meters, m)
			}
			registers := []drivers.Settings{
				{"register": "0", "type": "float32", "step": "0.01", "table": "input"},
				{"register": "2", "type": "int16", "step": "0.1", "table": "holding"},
				{"register": "3", "type": "int32", "step": "0.01", "words": "CDAB", "table": "input"},
			}
			for range 3 {
				for i, address := range []string{"1", "2", "3"} {
					for _, s := range registers {
						s["address"], s["unit"], s["framing"] = address, "mV", framing
						a, err := drivermodbus.Format.NewAsker(s)
						if err != nil {
							t.Fatal(err)
						}
						r, err := a.Ask(w)
						if err != nil || r.Unit() != "mV" {
							t.Errorf("%v: %v, %v", s, r, err)
							continue
						}
						v := w.meters[i].volts()
						switch over := v > 3; {
						case over && s["type"] == "float32":
							if r.HasValue() {
								t.Errorf("%v: %g V is %v, want an overload", s, v, r)
							}
						case over:
							if want := map[string]string{"int16": "3276.7", "int32": "21474836.47"}[s["type"]]; r.Text() != want {
								t.Errorf("%v: %g V is %v, want the end of the range, %s", s, v, r, want)
							}
						case math.Abs(r.Value()-v) > 1.6*max(r.Resolution(), converterCount):
							t.Errorf("%v: %g V is %v", s, v, r)
						}
					}
				}
			}
		})
	}
}
