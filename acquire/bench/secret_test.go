package bench

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSecretPath(t *testing.T) {
	for _, c := range []struct{ credentials, name, want string }{
		{"", "token", "token"},
		{"/run/credentials/nightsoak.service", "token", "/run/credentials/nightsoak.service/token"},
		{"/run/credentials/nightsoak.service", "/etc/nightsoak/token", "/etc/nightsoak/token"},
		{"/run/credentials/nightsoak.service", "./token", "./token"},
	} {
		t.Setenv("CREDENTIALS_DIRECTORY", c.credentials)
		if got := SecretPath(c.name); got != c.want {
			t.Errorf("credentials in %q: %q is %q, want %q", c.credentials, c.name, got, c.want)
		}
	}
}

func TestSecretPrints(t *testing.T) {
	s := NewSecret("hush")
	j, err := json.Marshal(struct{ S Secret }{s})
	if err != nil {
		t.Fatal(err)
	}
	type inner struct{ s Secret } // unexported: package fmt calls no methods of it
	if all := string(j) + fmt.Sprintf("%v %+v %#v %s %q %d %x %v %+v", s, s, s, s, s, s, s, inner{s}, &inner{s}); strings.Contains(all, "hush") || strings.Contains(all, "68757368") {
		t.Error(all)
	}
}

func TestReadSecret(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"word": "hush\n", "empty": "\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	if _, err := ReadSecret("word"); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "LoadCredential=") {
		t.Errorf("a credential without systemd: %v", err)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	for _, name := range []string{"word", filepath.Join(dir, "word")} {
		if s, err := ReadSecret(name); err != nil || s.Reveal() != "hush" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := ReadSecret("empty"); err == nil {
		t.Error("an empty secret")
	}
	if _, err := ReadSecret("none"); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
