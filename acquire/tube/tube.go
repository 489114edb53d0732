// Package tube is the handbook: the ratings, base and pins of output tubes,
// each figure with its source and how far that source was checked.
package tube

// Mark says how a figure was come by.
type Mark string

// The marks, best first.
const (
	Sheet       Mark = "sheet"       // read in the maker's own document
	Transcribed Mark = "transcribed" // read in a transcription that names the maker's sheet
	Secondary   Mark = "secondary"   // a weaker secondary source
	FromMemory  Mark = "from-memory" // remembered from the handbook named; not checked
)

// Rating is one set of limits from one source.
type Rating struct {
	PlateDissipation  float64 `json:"plate_dissipation_w" toml:"plate_dissipation_w"`               // watt
	ScreenDissipation float64 `json:"screen_dissipation_w,omitempty" toml:"screen_dissipation_w"`   // watt; 0 not published or no screen
	PlateVolts        float64 `json:"plate_volts_max,omitempty" toml:"plate_volts_max"`             // volt; 0 not published
	ScreenVolts       float64 `json:"screen_volts_max,omitempty" toml:"screen_volts_max"`           // volt; 0 not published
	CathodeCurrent    float64 `json:"cathode_current_max_a,omitempty" toml:"cathode_current_max_a"` // ampere; 0 not published
	// Greatest resistance of the control grid's circuit, ohm; 0 not published.
	// Above it a little gas makes the tube run away.
	GridOhmsFixed   float64 `json:"grid_ohms_fixed_max,omitempty" toml:"grid_ohms_fixed_max"`     // with fixed bias
	GridOhmsCathode float64 `json:"grid_ohms_cathode_max,omitempty" toml:"grid_ohms_cathode_max"` // with cathode bias
	GridNote        string  `json:"grid_note,omitempty" toml:"grid_note"`                         // on what condition, or by whom
	System          string  `json:"rating_system" toml:"rating_system"`                           // design-centre, design-maximum, absolute-maximum, maker's limits
	Source          string  `json:"source" toml:"source"`                                         // document: maker, type, date
	Mark            Mark    `json:"mark" toml:"mark"`                                             // of the plate dissipation
	// Weaker names what stands here on a weaker mark than Mark, by the names
	// of this JSON, "pins" for the base and all pins together. Nil when nothing does.
	Weaker map[string]Mark `json:"weaker_marks,omitempty" toml:"weaker_marks"`
}

// Type is one tube type. The embedded Rating is the one that counts: where
// sources disagree, the conservative one.
type Type struct {
	Name    string   `json:"type" toml:"type"`
	Aliases []string `json:"aliases,omitempty" toml:"aliases"` // other names of this same tube
	Rating
	Also []Rating `json:"also,omitempty" toml:"also"` // what other sources say

	HeaterVolts   float64 `json:"heater_volts,omitempty" toml:"heater_volts"`     // volt
	HeaterAmperes float64 `json:"heater_amperes,omitempty" toml:"heater_amperes"` // ampere; the high end where the maker gives a range
	Base          string  `json:"base,omitempty" toml:"base"`                     // "octal 7AC", "noval 9CV": the socket, and the basing code where known
	PlatePin      string  `json:"plate_pin,omitempty" toml:"plate_pin"`           // "3", or "cap"
	CathodePin    string  `json:"cathode_pin,omitempty" toml:"cathode_pin"`       // "8"; "1, 4" for a filament
	ScreenPin     string  `json:"screen_pin,omitempty" toml:"screen_pin"`         // empty without a screen
	GridPin       string  `json:"grid_pin,omitempty" toml:"grid_pin"`             // control grid
	PinNote       string  `json:"pin_note,omitempty" toml:"pin_note"`             // what a hand at this socket must know: "g3 is pin 1: tie it to pin 8"
	// Share of the cathode current that goes to the screen at idle, as
	// published sheets give it: low and high end. 0 when there is no screen or
	// nothing is published. Shown, never applied.
	ScreenShareLow  float64 `json:"screen_share_low,omitempty" toml:"screen_share_low"`
	ScreenShareHigh float64 `json:"screen_share_high,omitempty" toml:"screen_share_high"`
	Filament        bool    `json:"directly_heated,omitempty" toml:"directly_heated"` // no separate cathode
}
