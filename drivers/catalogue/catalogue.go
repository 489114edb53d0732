// Package catalogue lists the wire formats that nightsoak knows. A new format
// is one line here.
package catalogue

import (
	"fmt"
	"strings"

	"nightsoak/drivers"
	"nightsoak/drivers/ascii14"
	"nightsoak/drivers/dtm0660"
	"nightsoak/drivers/es51922"
	"nightsoak/drivers/es51986"
	"nightsoak/drivers/fs9721"
	"nightsoak/drivers/fs9922"
	"nightsoak/drivers/scpi"
)

// All is every format, always in the same order: those that listen first.
func All() []drivers.Format {
	return []drivers.Format{
		fs9721.Format,
		es51922.Format,
		es51986.Format,
		fs9922.Format,
		dtm0660.Format,
		ascii14.Format,
		scpi.Format,
	}
}

// Find is the format with that name. The error names the nearest one and lists
// them all.
func Find(name string) (drivers.Format, error) {
	var names []string
	nearest, least := "", int(^uint(0)>>1)
	for _, f := range All() {
		if f.Name == name {
			return f, nil
		}
		names = append(names, f.Name)
		if d := distance(strings.ToLower(strings.TrimSpace(name)), f.Name); d < least {
			nearest, least = f.Name, d
		}
	}
	return drivers.Format{}, fmt.Errorf("format %q is not known: nearest is %q, known are %s",
		name, nearest, strings.Join(names, ", "))
}

// distance is the Levenshtein distance in bytes.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
