package panel

import (
	"fmt"
	"html/template"
	"strings"
)

// The panel's figures are drawn, not set in a font: single-stroke numerals as
// they are engraved on instrument panels, the same on every machine and sharp
// at any size. Each is a path in a box 56 wide and 100 high.
var numerals = map[rune]string{
	'0': "M28 7C42 7 49 19 49 36V64C49 81 42 93 28 93S7 81 7 64V36C7 19 14 7 28 7Z",
	'1': "M13 23 31 7V93",
	'2': "M8 28C8 15 16 7 28 7S48 15 48 28C48 39 42 47 34 56L8 93H49",
	'3': "M8 23C10 13 17 7 27 7C39 7 47 15 47 27C47 39 39 47 25 47C40 47 49 56 49 69C49 84 40 93 27 93C16 93 9 87 7 76",
	'4': "M37 93V7L6 68H51",
	'5': "M46 7H14L11 46C16 40 22 37 28 37C41 37 49 49 49 64C49 82 40 93 27 93C17 93 10 88 7 78",
	'6': "M45 19C41 11 36 7 29 7C14 7 7 23 7 52V65C7 83 15 93 28 93S49 83 49 67S41 42 28 42S7 52 7 66",
	'7': "M7 7H49L22 93",
	'8': "M28 46C17 46 10 38 10 27S17 7 28 7S46 15 46 27S39 46 28 46C15 46 7 56 7 69S15 93 28 93S49 84 49 69S41 46 28 46Z",
	'9': "M11 81C15 89 20 93 27 93C42 93 49 77 49 48V35C49 17 41 7 28 7S7 17 7 33S15 58 28 58S49 48 49 34",
	'-': "M12 50H44",
	'.': "M10 93V92.9",
}

// numeral draws a figure: digits, a sign, a point. words is what it says to
// those who do not see it.
func numeral(s, words string) template.HTML {
	var paths strings.Builder
	x := 0
	for _, r := range s {
		d, ok := numerals[r]
		if !ok {
			continue
		}
		fmt.Fprintf(&paths, `<path transform="translate(%d)" d="%s"/>`, x, d)
		x += 70
		if r == '.' {
			x -= 36
		}
	}
	return template.HTML(fmt.Sprintf(`<svg class="numeral" viewBox="0 0 %d 100" role="img" aria-label="%s">%s</svg>`,
		max(x-14, 56), template.HTMLEscapeString(words), paths.String()))
}
