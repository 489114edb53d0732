package nearest

import (
	"slices"
	"testing"
)

func TestNames(t *testing.T) {
	known := []string{"accuracy", "port", "format", "scale", "silent_after"}
	for _, c := range []struct {
		want string
		n    int
		near []string
	}{
		{"acuracy", 1, []string{"accuracy"}},
		{"FORMAT", 1, []string{"format"}},
		{"prot", 2, []string{"port", "format"}}, // a swap counts once
		{"silent-after", 1, []string{"silent_after"}},
		{"ort", 9, []string{"port", "format", "scale", "accuracy", "silent_after"}},
		{"sil", 1, []string{"silent_after"}}, // cut short
		{"port", 0, []string{}}, {"port", -1, []string{}},
	} {
		if got := Names(c.want, known, c.n); !slices.Equal(got, c.near) {
			t.Errorf("Names(%q, %d) is %q, want %q", c.want, c.n, got, c.near)
		}
	}
	if got := Names("x", nil, 3); len(got) != 0 {
		t.Errorf("nearest of none is %q", got)
	}
}

// Levenshtein's kitten and sitting, and the swap ca, ac, both from the literature.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		d    int
	}{{"kitten", "sitting", 3}, {"ca", "ac", 1}, {"ca", "abc", 3}, {"", "abc", 3}, {"Ω", "", 1}} {
		if got := distance([]rune(c.a), []rune(c.b)); got != c.d {
			t.Errorf("distance %q %q is %d, want %d", c.a, c.b, got, c.d)
		}
	}
}
