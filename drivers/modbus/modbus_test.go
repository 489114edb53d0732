package modbus

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
)

// meter is the far end of a Conn. Its clock is the test's.
type meter struct {
	answer  func(question []byte) []byte // what it sends for what it hears
	delay   time.Duration                // before it sends
	piece   int                          // most bytes one Read gives, 0 for all
	broken  error                        // what Read and Write return
	heard   [][]byte
	asked   []time.Time
	pending []burst
	timeout time.Duration
}

// burst is bytes that may be read from a moment on.
type burst struct {
	at    time.Time
	bytes []byte
}

func (m *meter) SetReadTimeout(d time.Duration) error { m.timeout = d; return nil }

func (m *meter) Write(p []byte) (int, error) {
	if m.broken != nil {
		return 0, m.broken
	}
	m.heard, m.asked = append(m.heard, bytes.Clone(p)), append(m.asked, time.Now())
	m.send(m.delay, m.answer(p))
	return len(p), nil
}

func (m *meter) send(after time.Duration, p []byte) {
	if len(p) > 0 {
		m.pending = append(m.pending, burst{time.Now().Add(after), p})
	}
}

func (m *meter) Read(p []byte) (int, error) {
	if m.broken != nil {
		return 0, m.broken
	}
	if len(m.pending) == 0 || time.Until(m.pending[0].at) > m.timeout {
		time.Sleep(m.timeout)
		return 0, nil
	}
	b := &m.pending[0]
	time.Sleep(time.Until(b.at))
	n := copy(p, b.bytes)
	if m.piece > 0 {
		n = min(n, m.piece)
	}
	if b.bytes = b.bytes[n:]; len(b.bytes) == 0 {
		m.pending = m.pending[1:]
	}
	return n, nil
}

func fromHex(s string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		panic(err)
	}
	return b
}

// checked is a frame with its check.
func checked(s string) []byte {
	b := fromHex(s)
	c := slowCRC(b)
	return append(b, byte(c), byte(c>>8))
}

// slowCRC is the reference for crc: the serial line guide's procedure, a bit at a time.
func slowCRC(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, v := range b {
		c ^= uint16(v)
		for range 8 {
			carry := c & 1
			c >>= 1
			if carry == 1 {
				c ^= 0xA001
			}
		}
	}
	return c
}

// always answers every question with the same.
func always(b []byte) func([]byte) []byte { return func([]byte) []byte { return bytes.Clone(b) } }

func show(r drivers.Reading) string {
	return strings.TrimSpace(r.Text() + " " + r.Unit() + " " + r.Flags.String())
}

// settings are those of float32 mV in input registers 0 and 1, with changes: "key=value".
func settings(changes ...string) drivers.Settings {
	s := drivers.Settings{"table": "input", "register": "0", "type": "float32", "unit": "mV"}
	for _, c := range changes {
		key, value, _ := strings.Cut(c, "=")
		s[key] = value
	}
	return s
}

func newTestAsker(t testing.TB, s drivers.Settings) drivers.Asker {
	t.Helper()
	a, err := Format.NewAsker(s)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// wantReply checks reason and text of an error.
func wantReply(t *testing.T, err error, why drivers.Reason, text string) {
	t.Helper()
	reply, ok := errors.AsType[*drivers.Reply](err)
	if !ok || reply.Reason != why || !strings.Contains(err.Error(), text) || strings.Contains(err.Error(), "\n") {
		t.Errorf("error is %v, want one line with reason %v and %q", err, why, text)
	}
}

// 41.3125 mV, exact as float32, in input registers 0 and 1 of address 1.
var (
	good     = checked("01 04 04 42 25 40 00")
	goodText = "41.3125 mV"
)

// The check value of CRC-16/MODBUS, the frames that published texts give, and
// others computed with an independent implementation.
func TestCRC(t *testing.T) {
	if got := crc([]byte("123456789")); got != 0x4B37 {
		t.Errorf("check value is %04X, want 4B37", got)
	}
	for _, frame := range []string{
		"02 07 41 12", // the serial line guide's own worked example
		"11 03 00 6B 00 03 76 87",
		"11 03 06 AE 41 56 52 43 40 49 AD",
		"11 03 06 02 2B 00 00 00 64 C8 BA",
		"01 03 00 00 00 02 C4 0B",
		"01 03 00 00 00 0A C5 CD",
		"11 04 00 08 00 01 B2 98",
		"11 04 02 00 0A F8 F4",
		"11 83 02 C1 34",
		"01 04 04 42 F6 E9 79 81 BC",
		"01 04 04 E9 79 42 F6 AE E7",
		"01 03 00 6B 00 03 74 17", // some texts print 76 87 here, which belongs to address 11
	} {
		b := fromHex(frame)
		if crc(b) != 0 || slowCRC(b) != 0 {
			t.Errorf("%s: %04X and %04X are left over, want 0", frame, crc(b), slowCRC(b))
		}
	}
}

// The worked examples of V1.1b3 6.3, 6.4 and 7 and of published texts: what is
// sent, and what is read in the answer.
func TestWorkedExamples(t *testing.T) {
	tests := []struct {
		question
		sent, answer, data string
		code               byte
	}{
		{question{false, 0x11, 3, 107, 3}, "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA", "02 2B 00 00 00 64", 0},
		{question{false, 0x11, 3, 107, 3}, "11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD", "AE 41 56 52 43 40", 0},
		{question{false, 0x11, 3, 107, 3}, "11 03 00 6B 00 03 76 87", "11 83 02 C1 34", "", 2},
		{question{false, 0x11, 4, 8, 1}, "11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4", "00 0A", 0},
		{question{false, 1, 3, 0, 2}, "01 03 00 00 00 02 C4 0B", "", "", 0},
		{question{false, 1, 3, 0, 10}, "01 03 00 00 00 0A C5 CD", "", "", 0},
		{question{true, 0x11, 3, 107, 3}, "00 01 00 00 00 06 11 03 00 6B 00 03", "00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64", "02 2B 00 00 00 64", 0},
		{question{true, 0x11, 4, 8, 1}, "00 01 00 00 00 06 11 04 00 08 00 01", "00 01 00 00 00 05 11 04 02 00 0A", "00 0A", 0},
		{question{true, 0x11, 3, 107, 3}, "00 01 00 00 00 06 11 03 00 6B 00 03", "00 01 00 00 00 03 11 83 02", "", 2},
	}
	for _, tt := range tests {
		transactions.Store(0)
		x := tt.exchange()
		if !bytes.Equal(x.sent, fromHex(tt.sent)) {
			t.Errorf("sends % X, want %s", x.sent, tt.sent)
		}
		if data, code := x.find(fromHex(tt.answer)); !bytes.Equal(data, fromHex(tt.data)) || code != tt.code {
			t.Errorf("%s: data % X and exception %d, want %s and %d", tt.answer, data, code, tt.data, tt.code)
		}
	}
}

// numbers in registers, and what is shown of them. The four float32 values and
// their word orders are published, or IEEE 754's; a third of the integers are
// the ends of the range.
var shown = []struct{ data, settings, want string }{
	{"42 F6 E9 79", "", "123.456 mV"}, // 123.456 in all four orders
	{"E9 79 42 F6", "words=CDAB", "123.456 mV"},
	{"F6 42 79 E9", "words=BADC", "123.456 mV"},
	{"79 E9 F6 42", "words=DCBA", "123.456 mV"},
	{"BF C0 00 00", "", "-1.5 mV"},
	{"00 00 BF C0", "words=CDAB", "-1.5 mV"},
	{"43 7A 00 00", "unit=V", "250 V"},
	{"00 00 43 7A", "words=CDAB unit=V", "250 V"},
	{"3D 0F 5C 29", "unit=A", "0.035 A"},
	{"3D 0F 5C 29", "unit=mA", "0.035 mA"},

	{"43 7A 00 00", "unit=V step=0.1", "250.0 V"}, // the meter's resolution
	{"42 F6 E9 79", "step=0.01", "123.46 mV"},
	{"42 F6 E9 79", "step=0.05", "123.45 mV"},
	{"42 F6 E9 79", "step=10", "120 mV"},
	{"C2 F6 E9 79", "step=0.001", "-123.456 mV"},
	{"BF 00 00 00", "step=1", "-1 mV"}, // half a count: away from zero
	{"42 24 00 00", "", "41 mV"},
	{"42 24 00 00", "step=0.010", "41.00 mV"},

	{"00 00 00 00", "", "0 mV"},
	{"80 00 00 00", "", "0 mV"}, // there is no negative zero in digits
	{"80 00 00 00", "step=0.1", "0.0 mV"},
	{"4B 7F FF FF", "", "16777215 mV"}, // 2²⁴ - 1
	{"4B 80 00 00", "", "16777216 mV"},
	{"50 15 02 F9", "", "10000000000 mV"}, // 10¹⁰, shortest digits then zeros
	{"3A 83 12 6F", "", "0.001 mV"},
	{"30 89 70 5F", "", "0.000000001 mV"},
	{"22 AB CC 77", "", "0.000000000000000005 mV"}, // 4.656e-18, at the finest place
	{"00 00 00 01", "", "0.000000000000000000 mV"}, // the least float
	{"7F C0 00 00", "", "NaN mV nan"},
	{"FF FF FF FF", "", "NaN mV nan"},
	{"7F C0 00 00", "step=0.1", "NaN mV nan"},
	{"7F 80 00 00", "", "OL mV overload"},
	{"FF 80 00 00", "step=0.1", "OL mV overload"},

	{"01 9D", "type=int16", "413 mV"},
	{"01 9D", "type=int16 step=0.1", "41.3 mV"},
	{"FE 63", "type=int16 step=0.1", "-41.3 mV"},
	{"FE 63", "type=uint16 step=0.1", "6512.3 mV"},
	{"00 00", "type=int16 step=0.01", "0.00 mV"},
	{"00 07", "type=int16 step=0.25", "1.75 mV"},
	{"00 07", "type=uint16 step=50 unit=%", "350 %"},
	{"7F FF", "type=int16", "32767 mV"}, // no guess that it is over range
	{"80 00", "type=int16", "-32768 mV"},
	{"FF FF", "type=int16", "-1 mV"},
	{"FF FF", "type=uint16", "65535 mV"},
	{"00 07 0B D5", "type=int32 unit=V step=0.001", "461.781 V"},
	{"0B D5 00 07", "type=int32 words=CDAB unit=V step=0.001", "461.781 V"},
	{"FF F8 F4 2B", "type=int32 unit=V step=0.001", "-461.781 V"},
	{"2B F4 F8 FF", "type=int32 words=DCBA unit=V step=0.001", "-461.781 V"},
	{"7F FF FF FF", "type=int32", "2147483647 mV"},
	{"80 00 00 00", "type=int32", "-2147483648 mV"},
	{"FF FF FF FF", "type=uint32", "4294967295 mV"},
	{"FF FF FF FF", "type=uint32 step=0.000000001 unit=pF", "4.294967295 pF"},
	{"FF FF FF FF", "type=uint32 step=1000000", "4294967295000000 mV"},
}

// TestReadings: every number comes over the line by both framings, whole and in pieces.
func TestReadings(t *testing.T) {
	for _, framing := range []string{"rtu", "tcp"} {
		for _, tt := range shown {
			synctest.Test(t, func(t *testing.T) {
				s := settings(strings.Fields(tt.settings)...)
				s["framing"] = framing
				a := newTestAsker(t, s)
				data := fromHex(tt.data)
				for piece := range 3 {
					m := &meter{piece: piece, delay: 100 * time.Millisecond, answer: func(q []byte) []byte {
						if framing == "tcp" {
							return append([]byte{q[0], q[1], 0, 0, 0, byte(3 + len(data)), 1, 4, byte(len(data))}, data...)
						}
						return checked(fmt.Sprintf("01 04 %02X %X", len(data), data))
					}}
					r, err := a.Ask(m)
					if err != nil || show(r) != tt.want {
						t.Errorf("%s %s in pieces of %d: %q, %v; want %q", tt.settings, tt.data, piece, show(r), err, tt.want)
						continue
					}
					if back, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || back != r {
						t.Errorf("%s is %#v, and read back from its text %#v, %v", tt.data, r, back, err)
					}
				}
			})
		}
	}
}

// TestShortest: of floats all over the range, the digits give the float32 back,
// and there are no more of them than strconv's shortest.
func TestShortest(t *testing.T) {
	for bits := uint32(0); bits < 0x7F80_0000; bits += 99_991 { // a prime: all exponents, mixed mantissas
		for _, f := range []float32{math.Float32frombits(bits), -math.Float32frombits(bits)} {
			digits, places, ok := shortest(f)
			if beyond := math.Abs(float64(f)) >= 1e18; ok == beyond {
				t.Fatalf("%g: taken %v", f, ok)
			} else if !ok {
				continue
			}
			text := strconv.FormatInt(digits, 10) + "e-" + strconv.Itoa(int(places))
			back, err := strconv.ParseFloat(text, 32)
			if err != nil || places < mostPlaces && float32(back) != f || math.Abs(back-float64(f)) > math.Abs(float64(f))/1e7+0.5e-18 {
				t.Fatalf("%g is %s, which is %g, %v", f, text, back, err)
			}
		}
	}
	for _, data := range []string{"5D 5E 0B 6C", "7F 7F FF FF", "E9 79 42 F6"} { // 10¹⁸ and a little, the greatest, 123.456 in the wrong order
		a := newTestAsker(t, settings()).(*asker)
		_, err := a.reading(fromHex(data))
		wantReply(t, err, drivers.BadReply, "out of all reason: check type and words")
		a.step = 1
		_, err = a.reading(fromHex(data))
		wantReply(t, err, drivers.BadReply, "the float32 "+data+" is ")
	}
}

// TestRequests: what the settings make of a question.
func TestRequests(t *testing.T) {
	tests := []struct{ settings, sent string }{
		{"", "01 04 00 00 00 02 71 CB"}, // CRC computed apart
		{"table=holding", "01 03 00 00 00 02 C4 0B"},
		{"address=17 register=8 type=uint16", "11 04 00 08 00 01 B2 98"},
		{"address=247 register=65534", ""},
		{"address=1 register=65535 type=int16", ""},
		{"address=17 table=holding register=107 type=int32 framing=tcp", "00 01 00 00 00 06 11 03 00 6B 00 02"},
		{"address=255 framing=tcp", "00 01 00 00 00 06 FF 04 00 00 00 02"},
		{"address=0 framing=tcp", "00 01 00 00 00 06 00 04 00 00 00 02"},
	}
	for _, tt := range tests {
		transactions.Store(0)
		a := newTestAsker(t, settings(strings.Fields(tt.settings)...)).(*asker)
		if got := a.exchange().sent; tt.sent != "" && !bytes.Equal(got, fromHex(tt.sent)) {
			t.Errorf("%q sends % X, want %s", tt.settings, got, tt.sent)
		}
	}
}

func TestSettings(t *testing.T) {
	tests := []struct{ settings, want string }{
		{"table=", "table: is missing: write one of input, holding"},
		{"table=coil", `table: "coil" is not known: write one of input, holding`},
		{"type=", "type: is missing: write one of int16, uint16, int32, uint32, float32"},
		{"type=float", `type: "float" is not known: write one of int16, uint16`},
		{"words=ABDC", `words: "ABDC" is not known: write one of ABCD, CDAB, BADC, DCBA`},
		{"type=int16 words=ABCD", "words: type int16 is one word: leave it out"},
		{"register=", `register: is missing: write its address in the request, from 0 to 65535; where the manual says 40108, table = "holding" and register = 107`},
		{"register=-1", `register: "-1" is none`},
		{"register=65536", `register: "65536" is none: write its address`},
		{"register=1.5", `register: "1.5" is none`},
		{"register=400108", `register: 400108 is a manual's number: write table = "holding" and register = 107`},
		{"register=300001", `register: 300001 is a manual's number: write table = "input" and register = 0`},
		{"register=65535", "register: type float32 takes two registers, and there is none behind 65535"},
		{"unit=", `unit: is missing: write for example unit = "mV"`},
		{"unit=miles", `unit: not a reading: unit "miles" is not known`},
		{"address=0", `address: "0" is not a meter's: write 1 to 247`},
		{"address=248", `address: "248" is not a meter's`},
		{"address=256 framing=tcp", `address: "256" is not a meter's`},
		{"address=one", `address: "one" is not a meter's`},
		{"framing=ascii", `framing: "ascii" is not known: write one of rtu, tcp`},
		{"step=0", `step: "0" is not what one count is: write for example "0.1"`},
		{"step=-0.1", `step: "-0.1" is not what one count is`},
		{"step=1e-3", `step: "1e-3" is not what one count is`},
		{"step=OL", `step: "OL" is not what one count is`},
		{"step=1000001", `step: "1000001" is not what one count is`},
		{"step=0.0000000001", `step: "0.0000000001" is not what one count is`},
		{"timeout=soon", `timeout: "soon" is not a time to wait`},
	}
	for _, tt := range tests {
		_, err := Format.NewAsker(settings(strings.Fields(tt.settings)...))
		if _, ok := errors.AsType[*drivers.SettingError](err); !ok || !strings.HasPrefix(err.Error(), tt.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want %s", tt.settings, err, tt.want)
		}
	}
}

// TestExceptions: names are those of V1.1b3 clause 7. An exception is an answer:
// nothing is waited for.
func TestExceptions(t *testing.T) {
	names := map[byte]string{
		1: "illegal function (1) for registers 0 and 1 of the input table: the meter does not have this table",
		2: "illegal data address (2) for registers 0 and 1 of the input table: the meter has no such register: see its manual",
		3: "illegal data value (3)", 4: "server device failure (4)", 5: "acknowledge (5)", 6: "server device busy (6)",
		7: "negative acknowledge (7)", 8: "memory parity error (8)", 9: "exception of no standard (9)",
		10: "gateway path unavailable (10)", 11: "gateway target device failed to respond (11)", 255: "exception of no standard (255)",
	}
	for code, name := range names {
		for _, framing := range []string{"rtu", "tcp"} {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: func(q []byte) []byte {
					if framing == "tcp" {
						return []byte{q[0], q[1], 0, 0, 0, 3, 1, 0x84, code}
					}
					return checked(fmt.Sprintf("01 84 %02X", code))
				}}
				start := time.Now()
				_, err := newTestAsker(t, settings("framing="+framing)).Ask(m)
				wantReply(t, err, drivers.BadReply, "modbus: address 1: "+name)
				if took := time.Since(start); took > silence {
					t.Errorf("took %v", took)
				}
			})
		}
	}
	for register, want := range map[string]string{
		"107":   "(2) for register 107 of the holding table: the meter has no such register: see its manual",
		"40108": `see its manual; if it counts from 40001, write table = "holding" and register = 107`,
		"30001": `see its manual; if it counts from 30001, write table = "input" and register = 0`,
	} {
		synctest.Test(t, func(t *testing.T) {
			m := &meter{answer: always(checked("01 83 02"))}
			_, err := newTestAsker(t, settings("table=holding", "type=int16", "register="+register)).Ask(m)
			if wantReply(t, err, drivers.BadReply, want); !strings.HasSuffix(err.Error(), want) {
				t.Errorf("%v goes on behind %q", err, want)
			}
		})
	}
}

// TestWrong: what is no answer is one error, in bounded time, and the question
// after it gets its own answer.
func TestWrong(t *testing.T) {
	const rtu, tcp = "rtu", "tcp"
	mbap := func(s string) []byte { return fromHex("FFFF" + s) } // FFFF becomes the question's number
	tests := []struct {
		name, framing string
		answer        []byte
		why           drivers.Reason
		want          string
	}{
		{"silence", rtu, nil, drivers.NoReply, `no answer within 500ms: check that the meter is on, its address, the line settings, and whether A and B are swapped; one with a LAN socket of its own needs framing = "tcp"`},
		{"echo alone", rtu, checked("01 04 00 00 00 02"), drivers.NoReply, "no answer within 500ms, though the question itself came back: check"},
		{"other address", rtu, checked("02 04 04 42 25 40 00"), drivers.BadReply, "the answer 02 04 04 42 25 40 00 is that of address 2, function 4, asked was function 4"},
		{"other function", rtu, checked("01 03 04 42 25 40 00"), drivers.BadReply, "is that of address 1, function 3, asked was function 4"},
		{"other exception", rtu, checked("01 83 02"), drivers.BadReply, "the answer 01 83 02 is that of address 1, function 131"},
		{"exception without code", rtu, checked("01 84 00"), drivers.BadReply, "the answer 01 84 00"},
		{"too few bytes", rtu, checked("01 04 02 42 25"), drivers.BadReply, "has 2 bytes of data, asked were 4: check type"},
		{"too many bytes", rtu, checked("01 04 06 42 25 40 00 00 00"), drivers.BadReply, "has 6 bytes of data, asked were 4"},
		{"count that lies", rtu, checked("01 04 05 42 25 40 00"), drivers.BadReply, "is no answer with a right checksum"},
		{"CRC high byte first", rtu, append(bytes.Clone(good[:7]), good[8], good[7]), drivers.BadReply, "is no answer with a right checksum: check the line settings"},
		{"cut off", rtu, good[:6], drivers.Short, "the answer 01 04 04 42 25 40 ends after 6 of 9 bytes"},
		{"a byte lost", rtu, append(bytes.Clone(good[:4]), good[5:]...), drivers.Short, "ends after 8 of 9 bytes"},
		{"a byte twice", rtu, append(bytes.Clone(good[:5]), good[4:]...), drivers.BadReply, "is no answer"},
		{"no frame", rtu, fromHex("F8 00 1C FF E0 80 0E 70 00"), drivers.BadReply, "F8 00 1C FF E0 80 0E 70 00 is no answer with a right checksum"},
		{"a screenful", rtu, bytes.Repeat([]byte("7"), 4000), drivers.BadReply, "is no answer"},

		{"silence", tcp, nil, drivers.NoReply, "no answer within 500ms: check that the meter is on, and its address; behind a serial server leave framing out"},
		{"other number", tcp, fromHex("FF FE 00 00 00 07 01 04 04 42 25 40 00"), drivers.NoReply, "within 500ms only an answer to an earlier question came: write a greater timeout"},
		{"other protocol", tcp, mbap("00 01 00 07 01 04 04 42 25 40 00"), drivers.BadReply, "is no answer"},
		{"other unit", tcp, mbap("00 00 00 07 02 04 04 42 25 40 00"), drivers.BadReply, "is that of address 2, function 4"},
		{"other function", tcp, mbap("00 00 00 07 01 03 04 42 25 40 00"), drivers.BadReply, "is that of address 1, function 3"},
		{"too few bytes", tcp, mbap("00 00 00 05 01 04 02 42 25"), drivers.BadReply, "has 2 bytes of data, asked were 4"},
		{"length that lies", tcp, mbap("00 00 00 08 01 04 04 42 25 40 00"), drivers.BadReply, "is no answer"},
		{"cut off", tcp, mbap("00 00 00 07 01 04 04 42 25"), drivers.Short, "ends after 11 of 13 bytes"},
		{"RTU", tcp, good, drivers.BadReply, "is no answer"},
	}
	for _, tt := range tests {
		t.Run(tt.framing+" "+tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: func(q []byte) []byte {
					if b := bytes.Clone(tt.answer); tt.framing == tcp && bytes.HasPrefix(b, []byte{0xFF, 0xFF}) {
						copy(b, q[:2])
						return b
					}
					return bytes.Clone(tt.answer)
				}}
				a := newTestAsker(t, settings("framing="+tt.framing))
				start := time.Now()
				r, err := a.Ask(m)
				wantReply(t, err, tt.why, tt.want)
				if r != (drivers.Reading{}) {
					t.Errorf("a reading %v came with the error", r)
				}
				if took := time.Since(start); took > silence+2*usualTimeout {
					t.Errorf("took %v, more than silence and twice the timeout", took)
				}
				m.answer = always(good)
				if tt.framing == tcp {
					m.answer = func(q []byte) []byte {
						return append(bytes.Clone(q[:2]), fromHex("00 00 00 07 01 04 04 42 25 40 00")...)
					}
				}
				if r, err = a.Ask(m); err != nil || show(r) != goodText {
					t.Errorf("the question after it: %q, %v; want %q", show(r), err, goodText)
				}
			})
		})
	}
}

// TestDamage: no answer with one bit wrong, cut off anywhere, or with a byte
// lost or doubled, is read as a figure. MBAP has no check of its own: there the
// nine bytes before the data are tried.
func TestDamage(t *testing.T) {
	q := question{address: 1, function: readInput, registers: 2}
	for _, tcp := range []bool{false, true} {
		for _, exception := range []bool{false, true} {
			q.tcp = tcp
			x := q.exchange()
			whole, guarded := append(bytes.Clone(x.answer), 0x42, 0x25, 0x40, 0x00), len(x.answer)
			if exception {
				whole, guarded = append(bytes.Clone(x.exception), 2), len(x.exception)
			}
			if !tcp {
				c := slowCRC(whole)
				whole = append(whole, byte(c), byte(c>>8))
				guarded = len(whole)
			}
			if data, code := x.find(whole); (data == nil) != exception || (code == 0) == exception {
				t.Fatalf("% X is data % X, exception %d", whole, data, code)
			}
			var damaged [][]byte
			for i := range whole {
				damaged = append(damaged, whole[:i])
			}
			for i := range guarded {
				for bit := range 8 {
					b := bytes.Clone(whole)
					b[i] ^= 1 << bit
					damaged = append(damaged, b)
				}
				if !tcp {
					lost := append(bytes.Clone(whole[:i]), whole[i+1:]...)
					if i+1 < len(whole) && whole[i] != whole[i+1] { // else any of the two is lost
						damaged = append(damaged, append(bytes.Clone(whole[:i+1]), whole[i:]...))
					}
					damaged = append(damaged, lost)
				}
			}
			for _, b := range damaged {
				if bytes.Contains(b, whole) { // the first byte doubled: the rest is sound
					continue
				}
				if data, code := x.find(b); data != nil || code != 0 {
					t.Errorf("tcp %v: % X, from % X, is taken: data % X, exception %d", tcp, b, whole, data, code)
				}
			}
		}
	}
}

// TestSurroundings: the answer is found between noise, echo and answers to others.
func TestSurroundings(t *testing.T) {
	sent := checked("01 04 00 00 00 02")
	tests := map[string][][]byte{
		"alone":                     {good},
		"echo before it":            {sent, good},
		"noise before it":           {{0, 0xFF}, good},
		"noise, echo, noise":        {{0}, sent, {0xFF, 1, 4}, good},
		"half an answer before it":  {good[:5], good},
		"another meter's before it": {checked("02 04 04 42 25 40 00"), good},
		"another length before it":  {checked("01 04 02 42 25"), good},
		"another table's before it": {checked("01 03 04 42 25 40 00"), good},
		"noise behind it":           {good, {0}},
	}
	for name, parts := range tests {
		for piece := range 12 {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{piece: piece, answer: always(bytes.Join(parts, nil))}
				a := newTestAsker(t, settings())
				for range 2 {
					if r, err := a.Ask(m); err != nil || show(r) != goodText {
						t.Errorf("%s, in pieces of %d: %q, %v", name, piece, show(r), err)
					}
				}
			})
		}
	}
}

// TestEchoLikeAnswer: of the questions for one of the registers 512 to 767, one
// in 256 has a check that ends in 00, and its first seven bytes are a sound
// answer. Such an echo is not taken for one, however the bytes come in.
func TestEchoLikeAnswer(t *testing.T) {
	found := 0
	for i := range 247 * 2 * 256 {
		q := question{address: byte(i%247 + 1), function: byte(readHolding + i/247%2), register: uint16(512 + i/(2*247)), registers: 1}
		echo := []byte{q.address, q.function, 2, byte(q.register), 0, 1}
		c := crc(echo)
		echo = append(echo, byte(c), byte(c>>8))
		if crc(echo[:7]) != 0 {
			continue
		}
		found++
		x := q.exchange()
		answer := append(bytes.Clone(x.answer), 0x12, 0x34)
		c = slowCRC(answer)
		all := append(echo, append(answer, byte(c), byte(c>>8))...)
		for n := range all {
			data, code := x.find(all[:n+1])
			if whole := n+1 == len(all); (data != nil) != whole || code != 0 {
				t.Errorf("% X: after %d bytes data % X, exception %d", all, n+1, data, code)
			}
		}
	}
	if found == 0 {
		t.Error("found none: this test has lost its point")
	}
}

// TestLateAnswer: two registers of one meter share a port. An answer late by
// less than the timeout is never that of the other register, nor of a later
// question.
func TestLateAnswer(t *testing.T) {
	for _, framing := range []string{"rtu", "tcp"} {
		synctest.Test(t, func(t *testing.T) {
			n := 0 // figure in the answer: hundreds tell the register
			m := &meter{}
			m.answer = func(q []byte) []byte {
				n++
				if framing == "tcp" {
					v := n + 100*int(q[9])
					return []byte{q[0], q[1], 0, 0, 0, 5, 1, 4, 2, byte(v >> 8), byte(v)}
				}
				return checked(fmt.Sprintf("01 04 02 %04X", n+100*int(q[3])))
			}
			var askers []drivers.Asker
			for _, register := range []string{"1", "2"} {
				askers = append(askers, newTestAsker(t, settings("type=uint16", "framing="+framing, "register="+register)))
			}
			for i, late := range []time.Duration{0, 0, 510, 0, 990, 0, 700, 990, 510, 499, 0, 600, 0} {
				m.delay = late * time.Millisecond
				r, err := askers[i%2].Ask(m)
				switch {
				case m.delay > usualTimeout:
					if wantReply(t, err, drivers.NoReply, "within 500ms"); r.Digits != 0 {
						t.Errorf("question %d: reading %v came with the error", n, r)
					}
				case err != nil || r.Digits != int64(n+100*(1+i%2)):
					t.Errorf("%s, question %d: %v, %v", framing, n, r, err)
				}
			}
		})
	}
}

// TestSilence: the line is silent for 3.5 characters at 1200 bit/s before a
// question (4.01 ms at 9600, 1.75 ms above 19200), whatever came before it.
// MBAP waits for nothing.
func TestSilence(t *testing.T) {
	if need := 35 * 11 * time.Second / 10 / 1200; silence < need {
		t.Errorf("silence of %v is shorter than %v", silence, need)
	}
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: always(good)}
		a := newTestAsker(t, settings())
		start := time.Now()
		for i := range 5 {
			m.send(time.Duration(10*i+1)*time.Millisecond, fromHex("01 04 04 42 25")) // what others say
		}
		if r, err := a.Ask(m); err != nil || show(r) != goodText || m.asked[0].Sub(start) != 41*time.Millisecond+silence {
			t.Errorf("asked after %v: %v, %v", m.asked[0].Sub(start), r, err)
		}
		b := newTestAsker(t, settings("framing=tcp"))
		start = time.Now()
		_, err := b.Ask(m)
		wantReply(t, err, drivers.BadReply, "is no answer")
		if m.asked[1] != start || time.Since(start) != usualTimeout {
			t.Errorf("with MBAP asked after %v, given up after %v", m.asked[1].Sub(start), time.Since(start))
		}
	})
}

// chatter is a meter that never stops sending.
type chatter struct{ *meter }

func (c chatter) Read(p []byte) (int, error) {
	time.Sleep(10 * time.Millisecond)
	return copy(p, "DC  38.20  mV\r\nDC  38.20  mV\r\n"), nil
}

func TestChatter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := chatter{&meter{answer: always(good)}}
		start := time.Now()
		_, err := newTestAsker(t, settings()).Ask(m)
		wantReply(t, err, drivers.BadReply, "somebody talks without being asked")
		if len(m.heard) > 0 || time.Since(start) > drivers.DrainFor+time.Second {
			t.Errorf("sent % X, after %v", m.heard, time.Since(start))
		}
	})
}

// TestPort: trouble of the port is not a Reply, and keeps its cause.
func TestPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: always(good)}
		a := newTestAsker(t, settings())
		for range 2 {
			m.broken = io.ErrClosedPipe
			if _, err := a.Ask(m); isReply(err) || !errors.Is(err, io.ErrClosedPipe) {
				t.Errorf("error is %v, want the port's own", err)
			}
			if _, _, err := Format.Identify(m); isReply(err) || !errors.Is(err, io.ErrClosedPipe) {
				t.Errorf("error is %v, want the port's own", err)
			}
			m.broken = nil
			if r, err := a.Ask(m); err != nil || show(r) != goodText {
				t.Errorf("after the port came back: %v, %v", r, err)
			}
		}
	})
}

// TestIdentify: within 2 s, by reading one register and nothing else.
func TestIdentify(t *testing.T) {
	rtu := func(address byte, answer string) func([]byte) []byte {
		return func(q []byte) []byte {
			if crc(q) != 0 || q[0] != address {
				return nil
			}
			return checked(answer)
		}
	}
	mbap := func(unit byte, answer string) func([]byte) []byte {
		return func(q []byte) []byte {
			if len(q) != 12 || q[6] != unit {
				return nil
			}
			return append(bytes.Clone(q[:2]), fromHex(answer)...)
		}
	}
	tests := []struct {
		name             string
		answer           func([]byte) []byte
		address, framing string
	}{
		{"silent", func([]byte) []byte { return nil }, "", ""},
		{"echo", bytes.Clone, "", ""},
		{"noise", always(fromHex("00 FF 01 04 02")), "", ""},
		{"text", always([]byte("-113,\"Undefined header\"\n")), "", ""},
		{"address 1", rtu(1, "01 04 02 00 00"), "1", ""},
		{"address 5", rtu(5, "05 04 02 12 34"), "5", ""},
		{"address 9", rtu(9, "09 04 02 12 34"), "", ""},
		{"no such table", rtu(2, "02 84 01"), "2", ""},
		{"no such register", rtu(3, "03 84 02"), "3", ""},
		{"MBAP", mbap(1, "00 00 00 05 01 04 02 00 00"), "1", "tcp"},
		{"MBAP, no such register", mbap(255, "00 00 00 03 FF 84 02"), "255", "tcp"},
		{"MBAP of another unit", mbap(1, "00 00 00 05 02 04 02 00 00"), "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: tt.answer, delay: 150 * time.Millisecond}
				start := time.Now()
				s, sure, err := Format.Identify(m)
				if err != nil || s["address"] != tt.address || s["framing"] != tt.framing || (sure > 0.9) != (tt.address != "") {
					t.Errorf("%v, sure %g, %v; want address %q, framing %q", s, sure, err, tt.address, tt.framing)
				}
				if took := time.Since(start); took > 2*time.Second {
					t.Errorf("took %v", took)
				}
				for _, q := range m.heard {
					pdu := q
					if len(q) == 12 {
						pdu = append(bytes.Clone(q[6:]), 0, 0)
					}
					if len(pdu) != 8 || pdu[0] == 0 || !bytes.Equal(pdu[1:6], []byte{4, 0, 0, 0, 1}) {
						t.Errorf("sent % X", q)
					}
				}
			})
		})
	}
	synctest.Test(t, func(t *testing.T) {
		m := chatter{&meter{answer: always(nil)}}
		start := time.Now()
		if _, sure, err := Format.Identify(m); err != nil || sure != 0 || len(m.heard) > 0 || time.Since(start) > 2100*time.Millisecond {
			t.Errorf("one that talks: sure %g, %v, sent % X after %v", sure, err, m.heard, time.Since(start))
		}
	})
}

// FuzzAnswer: whatever comes, an answer that is taken stands in it, sound by the
// reference checksum, and can be shown.
func FuzzAnswer(f *testing.F) {
	for _, s := range []string{
		"11 03 06 AE 41 56 52 43 40 49 AD", "11 04 02 00 0A F8 F4", "11 83 02 C1 34", "01 84 02 C2 C1",
		"01 04 04 42 F6 E9 79 81 BC", "01 04 04 E9 79 42 F6 AE E7", "01 04 00 00 00 02 71 CB 01 04 04 42 F6 E9 79 81 BC",
		"00 01 00 00 00 07 01 04 04 42 F6 E9 79", "00 01 00 00 00 03 01 84 0B", "",
	} {
		for _, tcp := range []bool{false, true} {
			f.Add(fromHex(s), tcp, byte(2))
			f.Add(fromHex(s), tcp, byte(1))
		}
	}
	f.Fuzz(func(t *testing.T, got []byte, tcp bool, registers byte) {
		q := question{tcp: tcp, address: 1, function: readInput, registers: 1 + registers&1}
		transactions.Store(0)
		x := q.exchange()
		data, code := x.find(got)
		if data == nil && code == 0 {
			if err := x.wrong(got, usualTimeout); !isReply(err) || strings.Contains(err.Error(), "\n") {
				t.Errorf("% X: %v", got, err)
			}
			return
		}
		frame := append(bytes.Clone(x.answer), data...)
		if code != 0 {
			frame = append(bytes.Clone(x.exception), code)
		}
		if !tcp {
			c := slowCRC(frame)
			frame = append(frame, byte(c), byte(c>>8))
		}
		if !bytes.Contains(got, frame) || data != nil && len(data) != 2*int(q.registers) {
			t.Fatalf("% X is taken for data % X, exception %d", got, data, code)
		}
		if code != 0 {
			return
		}
		for _, n := range numbers {
			if n.registers != q.registers {
				continue
			}
			words := "ABCD"[:2*n.registers]
			for _, step := range []int64{0, 1} {
				a := asker{question: q, number: n, words: words, quantity: drivers.Voltage, prefix: -3, step: step, exp: int8(-step)}
				if n.integer != nil && step == 0 {
					continue
				}
				r, err := a.reading(data)
				if err != nil && !isReply(err) {
					t.Errorf("% X: %v", data, err)
				}
				if back, e := drivers.ParseReading(r.Text(), "mV", r.Flags.String()); err == nil && (e != nil || back != r) {
					t.Errorf("%s % X is %#v, and read back %#v, %v", n.name, data, r, back, e)
				}
			}
		}
	})
}

func BenchmarkAnswer(b *testing.B) {
	for _, name := range []string{"int16", "float32"} {
		b.Run(name, func(b *testing.B) {
			a := newTestAsker(b, settings("type="+name)).(*asker)
			x := a.exchange()
			frame := checked("01 04 02 01 9D")
			if name == "float32" {
				frame = checked("01 04 04 42 F6 E9 79")
			}
			b.ReportAllocs()
			for b.Loop() {
				data, _ := x.find(frame)
				if _, err := a.reading(data); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "frames/s")
		})
	}
}
