//go:build linux || darwin

package acquire_test

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/emulate"
	"nightsoak/acquire/port"
	"nightsoak/drivers/catalogue"
)

// Real pseudo-terminals, the real serial library: emulate.Talker reads the speed
// from its end and garbles what it says at any other.
func TestRecogniseTerminals(t *testing.T) {
	done := map[string]bool{}
	for _, c := range captures(t) {
		if done[c.format] {
			continue
		}
		done[c.format] = true
		t.Run(c.format, func(t *testing.T) {
			t.Parallel()
			link := filepath.Join(t.TempDir(), "k1")
			meter, err := emulate.Talk(link, c.line, 300*time.Millisecond, c.frames...)
			if err != nil {
				t.Fatal(err)
			}
			defer meter.Close()
			// Whoever had the port before left it at another setting.
			before, err := port.Open(t.Context(), link, "115200 8N1")
			if err != nil {
				t.Fatal(err)
			}
			before.Close()
			begun := time.Now()
			got, err := acquire.Recognise(t.Context(), link, catalogue.All(), nil)
			if err != nil || len(got) == 0 || got[0].Format.Name != c.format || got[0].Line != c.line.String() || got[0].Confidence < 0.99 {
				t.Errorf("%+v, %v", got, err)
			}
			t.Logf("recognised in %v", time.Since(begun).Round(time.Millisecond))
			if sent := meter.Got(); len(sent) > 0 {
				t.Errorf("sent to a meter that talks: %q", sent)
			}
		})
	}
	t.Run("navigation receiver", func(t *testing.T) {
		t.Parallel()
		link := filepath.Join(t.TempDir(), "k1")
		says := "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39\r\n$GPVTG,360.0,T,348.7,M,0.0,N,0.0,K*6E\r\n"
		receiver, err := emulate.Talk(link, line(t, "19200 8N1"), 200*time.Millisecond, []byte(says))
		if err != nil {
			t.Fatal(err)
		}
		defer receiver.Close()
		_, err = acquire.Recognise(t.Context(), link, catalogue.All(), nil)
		if !errors.Is(err, acquire.ErrUnrecognised) || !strings.Contains(err.Error(), "best guess at 19200 8N1: a navigation receiver (NMEA 0183) and no meter, ") {
			t.Errorf("%v", err)
		}
		if sent := receiver.Got(); len(sent) > 0 {
			t.Errorf("sent %q", sent)
		}
	})
}
