package main

import (
	"bytes"
	"os"
	"testing"
)

// TestWritten: the files are what the program writes.
func TestWritten(t *testing.T) {
	for name, d := range all() {
		want, err := render(d)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		got, err := os.ReadFile(name)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what the program writes: go run . (%v)", name, err)
		}
	}
}
