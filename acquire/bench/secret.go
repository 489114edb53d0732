package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Secret is a text that no log, error, notice or JSON ever shows: every usual
// way to print one gives "(secret)".
type Secret struct{ text *string } // a pointer: package fmt looks into unexported fields, but not behind them

// NewSecret makes a Secret of s.
func NewSecret(s string) Secret { return Secret{&s} }

// Reveal is the text itself, for the place that it is for; empty for the zero Secret.
func (s Secret) Reveal() string {
	if s.text == nil {
		return ""
	}
	return *s.text
}

// String is "(secret)".
func (Secret) String() string { return "(secret)" }

// GoString is "(secret)".
func (Secret) GoString() string { return "(secret)" }

// Format writes "(secret)" for every verb.
func (Secret) Format(f fmt.State, _ rune) { f.Write([]byte("(secret)")) }

// MarshalText is "(secret)".
func (Secret) MarshalText() ([]byte, error) { return []byte("(secret)"), nil }

// SecretPath is the file that a bench file names as one that holds a secret: a
// name without a slash is a systemd credential, where the service manager passed any.
func SecretPath(name string) string {
	dir := os.Getenv("CREDENTIALS_DIRECTORY")
	if dir == "" || strings.ContainsRune(name, '/') || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(dir, name)
}

// ReadSecret reads a file that holds a secret, see [SecretPath], without the space
// around it. An empty one is an error.
func ReadSecret(name string) (Secret, error) {
	path := SecretPath(name)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && path == name && filepath.Base(name) == name {
		err = fmt.Errorf("%w; a name without a slash is also that of a systemd credential, but none was passed: write LoadCredential= into the unit", err)
	}
	if err != nil {
		return Secret{}, err
	}
	s := strings.TrimSpace(string(b))
	if s == "" {
		return Secret{}, fmt.Errorf("%s is empty: write the secret into it", path)
	}
	return NewSecret(s), nil
}
