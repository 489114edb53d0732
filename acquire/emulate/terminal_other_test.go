//go:build !linux && !darwin

package emulate

import (
	"strings"
	"testing"

	"nightsoak/acquire"
)

func TestNoPseudoTerminals(t *testing.T) {
	_, err := Start(t.Context(), acquire.NewClock(0, 1), newAmp(t, Config{}), t.TempDir())
	if err == nil || !strings.Contains(err.Error(), "no pseudo-terminals on this system") {
		t.Fatalf("error %v, want that there are none", err)
	}
}
