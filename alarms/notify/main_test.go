package notify

import (
	"flag"
	"os"
	"testing"
)

// The outages mostly wait, so they may all wait at once.
func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", "10"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}
