package modbus

import (
	"bytes"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// The server of another implementation has its coils written, with MBAP.
func TestWriteCoilLibrary(t *testing.T) {
	b := &bank{unit: 7, coils: make([]bool, 20)}
	c := serve(t, b)
	write := func(coil uint16, on bool) error {
		return WriteCoil(c, Coil{TCP: true, Address: 7, Coil: coil}, on, 10*time.Second)
	}
	for _, on := range []bool{true, true, false, true, false, false} {
		if err := write(19, on); err != nil || b.coils[19] != on {
			t.Errorf("written %t: %v, is %t", on, err, b.coils[19])
		}
	}
	for i, on := range b.coils {
		if on {
			t.Errorf("coil %d is on", i)
		}
	}
	if err := write(20, true); err == nil || !strings.Contains(err.Error(), "illegal data address (2) for coil 20") {
		t.Errorf("a coil that is not there: %v", err)
	}
	b.stuck = true
	if err := write(3, true); err == nil || !strings.Contains(err.Error(), "coil 3 was written and still reads 0") {
		t.Errorf("a coil that does not move: %v", err)
	}
	b.stuck, b.writeOnly = false, true
	if err := write(3, true); err != nil || !b.coils[3] {
		t.Errorf("a device that cannot read coils: %v", err)
	}
}

// On a line, byte by byte: the request of V1.1b3 6.5 (coil 173 on, written as 172)
// and one of 6.1's form for one coil, to address 17. That the device also sends
// what it heard, or nothing else, changes nothing.
func TestWriteCoilLine(t *testing.T) {
	write, read := checked("11 05 00 AC FF 00"), checked("11 01 00 AC 00 01")
	on, off := checked("11 01 01 01"), checked("11 01 01 00")
	for _, c := range []struct {
		name    string
		answers [2][]byte // to the write and to the read
		err     string
	}{
		{"done", [2][]byte{write, on}, ""},
		{"with an echo", [2][]byte{append(bytes.Clone(write), write...), append(bytes.Clone(read), on...)}, ""},
		{"further bits are no coil of ours", [2][]byte{write, checked("11 01 01 FF")}, ""},
		{"stuck", [2][]byte{write, off}, "coil 172 was written and still reads 0"},
		{"an echo and nothing else", [2][]byte{write, read}, "no answer within 500ms, though the question itself came back"},
		{"nothing", [2][]byte{}, "no answer within 500ms"},
		{"refused", [2][]byte{checked("11 85 04")}, "server device failure (4) for coil 172"},
		{"a broken answer", [2][]byte{write[:5]}, "no answer within 500ms"},
		{"another coil's", [2][]byte{checked("11 05 00 AD FF 00")}, "modbus: address 17: "},
		{"cannot read", [2][]byte{write, checked("11 81 01")}, ""},
		{"fails to read", [2][]byte{write, checked("11 81 04")}, "server device failure (4) for coil 172"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{delay: 10 * time.Millisecond}
				m.answer = func([]byte) []byte { return c.answers[len(m.heard)-1] }
				err := WriteCoil(m, Coil{Address: 17, Coil: 172}, true, 500*time.Millisecond)
				if c.err == "" && err != nil || c.err != "" && (err == nil || !isReply(err) || !strings.Contains(err.Error(), c.err)) {
					t.Errorf("%v, want %q", err, c.err)
				}
				for i, h := range m.heard {
					if want := [][]byte{write, read}[i]; !bytes.Equal(h, want) {
						t.Errorf("asked % X, want % X", h, want)
					}
				}
			})
		})
	}
	m := &meter{answer: always(nil)}
	synctest.Test(t, func(t *testing.T) {
		if err := WriteCoil(m, Coil{Address: 17, Coil: 172}, false, 500*time.Millisecond); err == nil {
			t.Error("done, though nothing answers")
		}
	})
	if want := checked("11 05 00 AC 00 00"); !bytes.Equal(m.heard[0], want) {
		t.Errorf("off is % X, want % X", m.heard[0], want)
	}
}

// A coil is believed written only if the device says so: whatever answers.
func FuzzWriteCoil(f *testing.F) {
	f.Add([]byte("\x11\x05\x00\xac\xff\x00"), []byte("\x11\x01\x01\x01"))
	f.Add(checked("11 05 00 AC FF 00"), checked("11 01 01 01"))
	f.Add(checked("11 05 00 AC FF 00"), checked("11 01 01 00"))
	f.Add(checked("11 85 04"), []byte{})
	f.Fuzz(func(t *testing.T, first, second []byte) {
		synctest.Test(t, func(t *testing.T) {
			m := &meter{}
			m.answer = func([]byte) []byte { return [][]byte{first, second}[min(len(m.heard)-1, 1)] }
			err := WriteCoil(m, Coil{Address: 17, Coil: 172}, true, 100*time.Millisecond)
			if err == nil && (!bytes.Contains(first, checked("11 05 00 AC FF 00")) || !bytes.Contains(second, checked("11 81 01")) && !bytes.Contains(second, []byte("\x11\x01\x01"))) {
				t.Errorf("done after % X, % X", first, second)
			}
		})
	})
}
