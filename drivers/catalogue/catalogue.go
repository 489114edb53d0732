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
	"nightsoak/drivers/modbus"
	"nightsoak/drivers/nearest"
	"nightsoak/drivers/scpi"
	"nightsoak/drivers/textline"
)

// All is every format, always in the same order: those that listen first.
func All() []drivers.Format {
	return []drivers.Format{
		fs9721.Format,
		es51922.Format,
		es51986.Format,
		fs9922.Format,
		dtm0660.Format,
		textline.Format,
		ascii14.Format,
		scpi.Format,
		modbus.Format,
	}
}

// Names are the names of All, in its order.
func Names() []string {
	var names []string
	for _, f := range All() {
		names = append(names, f.Name)
	}
	return names
}

// Find is the format with that name. The error names the nearest one and lists
// them all.
func Find(name string) (drivers.Format, error) {
	for _, f := range All() {
		if f.Name == name {
			return f, nil
		}
	}
	known := Names()
	return drivers.Format{}, fmt.Errorf("format %q is not known: nearest is %q, known are %s",
		name, nearest.Names(name, known, 1)[0], strings.Join(known, ", "))
}
