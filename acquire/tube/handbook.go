package tube

import (
	"bytes"
	"cmp"
	_ "embed"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"github.com/pelletier/go-toml/v2"

	"nightsoak/drivers/nearest"
)

// The table is a TOML file and not Go literals: whoever holds a sheet and a
// soldering iron already writes TOML for the bench and the job, needs no
// compiler to add a block, and a wrong block fails as loudly as Go would: the
// file is read strictly, and the package's tests stop at its line.
//
//go:embed handbook.toml
var handbookFile []byte

// handbook panics only on a file that the tests of this package refuse.
var handbook = sync.OnceValue(func() []Type {
	types, err := parse(handbookFile)
	if err != nil {
		panic(err)
	}
	return types
})

// All lists the handbook, sorted by name. The slice is the caller's; what its
// elements point to (Aliases, Also, Weaker) is shared and must not be changed.
func All() []Type { return slices.Clone(handbook()) }

// ErrUnknown is the cause of Find's error.
var ErrUnknown = errors.New("not in the handbook")

// Find gives a copy of the type with that name or alias; case and "-" do not
// count. A name is never cut or extended to fit: "6L6" is not "6L6GC". An
// unknown name is an error that wraps ErrUnknown and names the nearest types.
func Find(name string) (*Type, error) {
	types := handbook()
	var known []string
	for i := range types {
		for _, n := range types[i].names() {
			if fold(n) == fold(name) {
				t := types[i]
				return &t, nil
			}
			known = append(known, n)
		}
	}
	return nil, fmt.Errorf("tube type %q is %w: nearest are %s", name, ErrUnknown, strings.Join(nearest.Names(name, known, 3), ", "))
}

// names are all names of a type, its own first.
func (t *Type) names() []string { return append([]string{t.Name}, t.Aliases...) }

// fold makes names compare as people mean them: "6550-a" is "6550A".
func fold(name string) string { return strings.ReplaceAll(strings.ToUpper(name), "-", "") }

// parse reads the table strictly and checks what no decoder can.
func parse(file []byte) ([]Type, error) {
	var table struct {
		Tube []Type `toml:"tube"`
	}
	dec := toml.NewDecoder(bytes.NewReader(file)).DisallowUnknownFields()
	if err := dec.Decode(&table); err != nil {
		return nil, place(err)
	}
	taken := map[string]string{}
	for i := range table.Tube {
		t := &table.Tube[i]
		if t.Name == "" {
			return nil, fmt.Errorf("handbook.toml: [[tube]] number %d: type is missing", i+1)
		}
		for _, n := range t.names() {
			if other, dup := taken[fold(n)]; dup {
				return nil, fmt.Errorf("handbook.toml: type %q: the name %q is taken by %q", t.Name, n, other)
			}
			taken[fold(n)] = t.Name
		}
		if err := t.check(); err != nil {
			return nil, fmt.Errorf("handbook.toml: type %q: %w", t.Name, err)
		}
	}
	slices.SortFunc(table.Tube, func(a, b Type) int { return cmp.Compare(a.Name, b.Name) })
	return table.Tube, nil
}

// place puts line and column before what the decoder says.
func place(err error) error {
	if strict, ok := errors.AsType[*toml.StrictMissingError](err); ok {
		row, col := strict.Errors[0].Position()
		return fmt.Errorf("handbook.toml:%d:%d: unknown key %q: %w", row, col, strings.Join(strict.Errors[0].Key(), "."), err)
	}
	if bad, ok := errors.AsType[*toml.DecodeError](err); ok {
		row, col := bad.Position()
		return fmt.Errorf("handbook.toml:%d:%d: %w", row, col, err)
	}
	return fmt.Errorf("handbook.toml: %w", err)
}

var (
	marks   = []Mark{Sheet, Transcribed, Secondary, FromMemory} // best first
	systems = []string{"design-centre", "design-maximum", "absolute-maximum", "maker's limits"}
)

// check says what is wrong with a type.
func (t *Type) check() error {
	if err := t.Rating.check(map[string]bool{"heater_volts": t.HeaterVolts > 0, "heater_amperes": t.HeaterAmperes > 0, "pins": t.Base != ""}); err != nil {
		return err
	}
	for i := range t.Also {
		if err := t.Also[i].check(nil); err != nil {
			return fmt.Errorf("also number %d: %w", i+1, err)
		}
		if t.Also[i].PlateDissipation < t.PlateDissipation {
			return fmt.Errorf("also number %d: its %g W is under the %g W that would count: the conservative set stands first",
				i+1, t.Also[i].PlateDissipation, t.PlateDissipation)
		}
	}
	switch {
	case t.PlatePin == "" && t.CathodePin+t.ScreenPin+t.GridPin != "", t.PlatePin != "" && (t.Base == "" || t.CathodePin == "" || t.GridPin == ""):
		return errors.New("pins: give base, plate_pin, cathode_pin and grid_pin together, or none of the pins")
	case t.ScreenShareLow < 0, t.ScreenShareHigh < t.ScreenShareLow, t.ScreenShareHigh >= 1, (t.ScreenShareLow > 0) != (t.ScreenShareHigh > 0):
		return fmt.Errorf("screen_share: %g to %g is not a range within 0 to 1", t.ScreenShareLow, t.ScreenShareHigh)
	}
	return nil
}

// check says what is wrong with a rating. more are the names beyond its own
// that weaker_marks may hold, and whether there is a figure to mark.
func (r *Rating) check(more map[string]bool) error {
	figures := map[string]float64{
		"screen_dissipation_w": r.ScreenDissipation, "plate_volts_max": r.PlateVolts,
		"screen_volts_max": r.ScreenVolts, "cathode_current_max_a": r.CathodeCurrent,
		"grid_ohms_fixed_max": r.GridOhmsFixed, "grid_ohms_cathode_max": r.GridOhmsCathode,
	}
	given := map[string]bool{"rating_system": true}
	for name, x := range figures {
		if !(x >= 0) {
			return fmt.Errorf("%s: %g is no limit", name, x)
		}
		given[name] = x > 0
	}
	maps.Copy(given, more)
	own := slices.Index(marks, r.Mark)
	switch {
	case !(r.PlateDissipation > 0):
		return errors.New("plate_dissipation_w is missing")
	case r.CathodeCurrent > 1:
		return fmt.Errorf("cathode_current_max_a: %g: write amperes, 0.150 for 150 mA", r.CathodeCurrent)
	case r.GridOhmsCathode > 0 && r.GridOhmsCathode < r.GridOhmsFixed:
		return fmt.Errorf("grid_ohms_cathode_max: %.0f is under the %.0f of fixed bias; a cathode resistor allows more, never less", r.GridOhmsCathode, r.GridOhmsFixed)
	case r.GridOhmsFixed > 0 && r.GridOhmsFixed < 1000:
		return fmt.Errorf("grid_ohms_fixed_max: %g: write ohms, 100_000 for 100 kΩ", r.GridOhmsFixed)
	case r.Source == "":
		return errors.New("source is missing: name the document by maker, type and date")
	case own < 0:
		return fmt.Errorf("mark: %q is none of %v", r.Mark, marks)
	case !slices.Contains(systems, r.System):
		return fmt.Errorf("rating_system: %q is none of %q", r.System, systems)
	}
	for _, name := range slices.Sorted(maps.Keys(r.Weaker)) {
		if !given[name] {
			return fmt.Errorf("weaker_marks: there is no figure %q here to mark", name)
		}
		if slices.Index(marks, r.Weaker[name]) <= own {
			return fmt.Errorf("weaker_marks: %s: %q is no mark weaker than %q", name, r.Weaker[name], r.Mark)
		}
	}
	return nil
}
