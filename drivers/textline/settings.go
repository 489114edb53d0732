package textline

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"regexp/syntax"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"

	"nightsoak/drivers"
	"nightsoak/drivers/nearest"
)

const (
	usual          = `'(?P<value>\S+) (?P<unit>\S+)'`
	longestPattern = 1000 // bytes
)

var groups = []string{"value", "unit", "channel", "flags"}

// newDecoder checks the settings, and that the sample is a line of this meter
// and gives a reading.
func newDecoder(s drivers.Settings) (drivers.Decoder, error) {
	tree, err := parse(s["pattern"])
	if err != nil {
		return nil, &drivers.SettingError{Key: "pattern", Err: err}
	}
	// Blanks at either end are allowed for and not cut off: the width of a
	// padded figure tells of a lost byte, where the pattern asks for it.
	re, err := regexp.Compile(`\A *(?:` + s["pattern"] + `) *\z`)
	if err != nil {
		return nil, drivers.BadSetting("pattern", "is too large: %w", err)
	}
	f := form{re: re, own: s["channel"], units: map[string]unit{},
		value: re.SubexpIndex("value"), unit: re.SubexpIndex("unit"), channel: re.SubexpIndex("channel"), flag: re.SubexpIndex("flags")}
	if err := f.setUnits(s["unit"]); err != nil {
		return nil, &drivers.SettingError{Key: "unit", Err: err}
	}
	if f.own != "" && f.channel < 0 {
		return nil, drivers.BadSetting("channel", "needs its place in the pattern: write (?P<channel>...) where lines show it")
	}
	if s["sample"] == "" {
		return nil, drivers.BadSetting("sample", "is missing: copy a line that the meter printed; the pattern is tried on it")
	}
	line, ok := clean(nil, []byte(s["sample"]))
	switch {
	case !ok:
		return nil, drivers.BadSetting("sample", "holds a control character: copy one line, write a blank for a tab")
	case len(s["sample"]) > longest:
		return nil, drivers.BadSetting("sample", "has %d bytes: a line has at most %d", len(s["sample"]), longest)
	}
	if err := f.try(line, tree); err != nil {
		return nil, err
	}
	return &lineDecoder{form: f, partial: true}, nil
}

// setUnits reads the key unit: the unit of lines that show none, and
// THEIRS=OURS for what they show in words of their own.
func (f *form) setUnits(text string) error {
	for word := range strings.FieldsSeq(text) {
		shown, ours, translates := strings.Cut(word, "=")
		if !translates {
			shown, ours = "", word
		}
		u, known := units[ours]
		_, twice := f.units[shown]
		switch {
		case translates && f.unit < 0:
			return fmt.Errorf("translates %q, but lines show no unit: write (?P<unit>...) into the pattern", shown)
		case translates && (shown == "" || ours == ""):
			return fmt.Errorf(`%q is no translation: write for example VOLTS=V`, word)
		case !known:
			return fmt.Errorf("%q is not known: write for example V, mV, mA, kΩ or Hz", ours)
		case twice:
			return fmt.Errorf("%q is the second unit for lines that show %q", ours, shown)
		}
		f.units[shown] = u
	}
	if _, given := f.units[""]; !given && f.unit < 0 {
		return errors.New(`is missing: the pattern has no group unit, so say what the figures are in, for example "mV"`)
	}
	return nil
}

// try reads the sample and explains why it does not give a reading.
func (f *form) try(line []byte, tree *syntax.Regexp) error {
	m := match(f.re.FindSubmatchIndex(line))
	if m == nil {
		return drivers.BadSetting("sample", "does not match the pattern, which %s", stop(tree, string(line)))
	}
	channel := m.group(line, f.channel)
	if f.channel >= 0 && f.own == "" {
		return drivers.BadSetting("channel", "is missing: the pattern has a group channel, so say whose lines to read; the sample's is %q", channel)
	}
	shown, value := m.group(line, f.unit), m.group(line, f.value)
	switch _, wrong := f.read(line, m); wrong {
	case otherChannel:
		return drivers.BadSetting("sample", "is a line of channel %q, and this meter's is %q: copy one of its own", channel, f.own)
	case noUnit:
		if len(shown) == 0 {
			return drivers.BadSetting("unit", `is missing: the sample shows no unit, so say what such lines are in, for example "mV"`)
		}
		return drivers.BadSetting("unit", "must translate %q, which the sample shows for a unit: write for example %q", shown, string(shown)+"=mV")
	case noFlag:
		for word := range bytes.FieldsFuncSeq(m.group(line, f.flag), flagSeparator) {
			if _, ok := flagOf(word); !ok {
				known := slices.Sorted(maps.Keys(flagWords))
				return drivers.BadSetting("sample", "has the flag %q, which is not known: nearest is %q, known are %v and what else meters write for these; leave out of the group flags what is none",
					word, nearest.Names(string(word), known, 1)[0], everyFlag)
			}
		}
	case torn:
		return drivers.BadSetting("pattern", `takes %q for the value of the sample, which is a part of a longer figure: let it take the whole, as (?P<value>\S+) does, or put what stands beside it into the group channel`, value)
	case noFigure:
		return drivers.BadSetting("pattern", "takes %q for the value of the sample, which is no figure: sign, digits, one point or comma and an exponent are read, or OL and NaN", value)
	}
	return nil
}

// parse reads a pattern, and says in plain words what is wrong with it.
func parse(pattern string) (*syntax.Regexp, error) {
	switch {
	case pattern == "":
		return nil, fmt.Errorf("is missing: write what a line looks like, for example %s", usual)
	case len(pattern) > longestPattern:
		return nil, fmt.Errorf("has %d bytes: at most %d are allowed", len(pattern), longestPattern)
	}
	tree, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return nil, explain(pattern, err)
	}
	names := tree.CapNames()
	for i, name := range names {
		switch {
		case name == "":
		case !slices.Contains(groups, name):
			return nil, fmt.Errorf("has a group %q: did you mean %q? Groups are %s; one without a name is written (?:...)",
				name, nearest.Names(name, groups, 1)[0], strings.Join(groups, ", "))
		case slices.Contains(names[:i], name):
			return nil, fmt.Errorf("has the group %q twice: each stands once", name)
		}
	}
	if !slices.Contains(names, "value") {
		return nil, fmt.Errorf("has no group value: put the figure into one, for example %s", usual)
	}
	return tree, nil
}

// mistakes are the compiler's errors in plain words.
var mistakes = map[syntax.ErrorCode]string{
	syntax.ErrInvalidCharRange:      "this range or class of characters does not exist, or runs backwards",
	syntax.ErrInvalidEscape:         `\ before this character means nothing; it stands before a character that is meant as such: \. \( \[ \+ \\`,
	syntax.ErrInvalidNamedCapture:   "a named group is written (?P<value>...)",
	syntax.ErrInvalidPerlOp:         "RE2 has no such group: a group is (?:...) or (?P<value>...), and there is no looking ahead or back",
	syntax.ErrInvalidRepeatOp:       "two repetitions in a row: put the first into (?:...)",
	syntax.ErrInvalidRepeatSize:     "a repetition is at most {1000}, one within another multiplied, and {2,5} has the smaller number first",
	syntax.ErrInvalidUTF8:           "this is not UTF-8",
	syntax.ErrMissingBracket:        "[ is not closed by ]",
	syntax.ErrMissingParen:          "( is not closed by )",
	syntax.ErrMissingRepeatArgument: `nothing stands before it to be repeated; a plain * + or ? is written \* \+ \?`,
	syntax.ErrTrailingBackslash:     `\ has nothing behind it; a plain one is written \\`,
	syntax.ErrUnexpectedParen:       `) closes no (; a plain one is written \)`,
}

// explain says what is wrong with a pattern, and where.
func explain(pattern string, err error) error {
	bad, ok := errors.AsType[*syntax.Error](err)
	if !ok || mistakes[bad.Code] == "" {
		return fmt.Errorf("is no regular expression: %w", err)
	}
	words := mistakes[bad.Code]
	if strings.HasPrefix(bad.Expr, "(?<=") || strings.HasPrefix(bad.Expr, "(?<!") {
		words = mistakes[syntax.ErrInvalidPerlOp]
	}
	at := place(pattern, bad)
	return &mistake{fmt.Sprintf("goes wrong at character %d, %s: %s", utf8.RuneCountInString(pattern[:at])+1, quote(pattern[at:]), words), err}
}

// place is where in a pattern the compiler found what is wrong. It names the
// part: that ends where a beginning of the pattern first gives the same error.
// Where it names the whole, what is wrong follows the longest beginning that is right.
func place(pattern string, bad *syntax.Error) int {
	whole := bad.Code == syntax.ErrMissingParen || bad.Code == syntax.ErrUnexpectedParen || bad.Expr == ""
	right := 0
	for end := range len(pattern) + 1 {
		_, err := syntax.Parse(pattern[:end], syntax.Perl)
		e, _ := errors.AsType[*syntax.Error](err)
		switch {
		case err == nil:
			right = end
		case !whole && *e == *bad:
			return end - len(bad.Expr)
		}
	}
	return right
}

// mistake is an error in other words than its cause.
type mistake struct {
	text  string
	cause error
}

func (m *mistake) Error() string { return m.text }
func (m *mistake) Unwrap() error { return m.cause }

// stop says how far the pattern fits a line that does not match.
func stop(tree *syntax.Regexp, line string) string {
	parts := flatten(nil, tree)
	// fits is where the first n parts can end in line at most, -1 if nowhere.
	fits := func(n int) int {
		beginning := syntax.Regexp{Op: syntax.OpConcat, Sub: parts[:n]}
		re, err := regexp.Compile(`\A *(?:` + beginning.String() + `)`)
		if err != nil {
			return -1
		}
		re.Longest()
		if loc := re.FindStringIndex(line); loc != nil {
			return loc[1]
		}
		return -1
	}
	n := sort.Search(len(parts), func(n int) bool { return fits(n+1) < 0 })
	at := max(fits(n), 0)
	wants, finds := "the line to end", "its end"
	if n < len(parts) {
		wants = classes.Replace(parts[n].String())
	}
	if wants == " " {
		wants = "a blank"
	}
	if at < len(line) {
		finds = quote(line[at:])
	}
	return fmt.Sprintf("wants %s at character %d and finds %s", wants, utf8.RuneCountInString(line[:at])+1, finds)
}

// classes turns what package syntax makes of these back into what people write.
var classes = func() *strings.Replacer {
	var pairs []string
	for _, class := range []string{`\d`, `\D`, `\s`, `\S`, `\w`, `\W`, `.`} {
		if re, err := syntax.Parse(class, syntax.Perl); err == nil {
			pairs = append(pairs, re.String(), class)
		}
	}
	return strings.NewReplacer(pairs...)
}()

// flatten appends the parts that must match one after the other.
func flatten(parts []*syntax.Regexp, re *syntax.Regexp) []*syntax.Regexp {
	switch re.Op {
	case syntax.OpConcat, syntax.OpCapture:
		for _, sub := range re.Sub {
			parts = flatten(parts, sub)
		}
	case syntax.OpLiteral:
		for i := range re.Rune {
			parts = append(parts, &syntax.Regexp{Op: syntax.OpLiteral, Flags: re.Flags, Rune: re.Rune[i : i+1]})
		}
	default:
		parts = append(parts, re)
	}
	return parts
}

// quote quotes the beginning of s.
func quote(s string) string {
	if r := []rune(s); len(r) > 20 {
		s = string(r[:20]) + "…"
	}
	return fmt.Sprintf("%#q", s)
}
