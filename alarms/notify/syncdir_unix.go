//go:build unix

package notify

import (
	"errors"
	"os"
)

// syncDir brings a rename in dir to the disk.
func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
