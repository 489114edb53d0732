// Package nearest finds what a misspelt name may have been meant to be.
package nearest

import (
	"cmp"
	"slices"
	"strings"
)

// Names gives the n names among known that are least unlike want, nearest
// first, equals in the order of known; case does not count, and a name cut short
// ("6V6", "dissip") is one slip away from the whole. n may exceed len(known).
func Names(want string, known []string, n int) []string {
	type candidate struct {
		name     string
		distance int
	}
	want = strings.ToLower(want)
	all := make([]candidate, len(known))
	for i, k := range known {
		low := strings.ToLower(k)
		all[i] = candidate{k, distance([]rune(want), []rune(low))}
		if want != "" && strings.HasPrefix(low, want) {
			all[i].distance = min(all[i].distance, 1)
		}
	}
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(a.distance, b.distance) })
	names := make([]string, 0, max(n, 0))
	for _, c := range all[:min(max(n, 0), len(all))] {
		names = append(names, c.name)
	}
	return names
}

// distance counts the insertions, deletions, substitutions and swaps of
// neighbours that make b of a (optimal string alignment). A swap counts once:
// EL43 is meant to be EL34, not EL84.
func distance(a, b []rune) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := range a {
		row[0] = i + 1
		for j := range b {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			row[j+1] = min(last[j+1]+1, row[j]+1, last[j]+cost)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
