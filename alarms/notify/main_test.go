package notify

import (
	"flag"
	"os"
	"testing"
)

// The outages mostly wait, so they may all wait at once; fuzzing works, and gets
// as many workers as there are processors.
func TestMain(m *testing.M) {
	flag.Parse()
	if flag.Lookup("test.fuzz").Value.String() == "" {
		if err := flag.Set("test.parallel", "10"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
