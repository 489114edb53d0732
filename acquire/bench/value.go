package bench

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nightsoak/drivers"
)

// The readers of values: from what TOML gave to what the bench needs, or an
// error that says what is wanted.

// text is one line of text that is not empty.
func text(v any) (string, error) {
	s, ok := v.(string)
	if !ok {
		return "", errors.New("must be text in quotes")
	}
	if s == "" {
		return "", errors.New("must not be empty")
	}
	if strings.ContainsFunc(s, unicode.IsControl) {
		return "", errors.New("must be one line, without control characters")
	}
	return s, nil
}

// printable is one line of at most 100 characters.
func printable(v any) (string, error) {
	s, err := text(v)
	if err == nil && (utf8.RuneCountInString(s) > 100 || strings.TrimSpace(s) != s ||
		strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })) {
		err = errors.New("must be at most 100 printable characters, with no space at either end")
	}
	return s, err
}

// subject is the name of a socket or a watch: it stands in alarm ids, behind a slash.
func subject(v any) (string, error) {
	s, err := printable(v)
	if err == nil && (strings.Contains(s, "/") || s == "all") {
		err = errors.New(`must not hold a slash, nor be "all", which means every socket`)
	}
	return s, err
}

// meterName is [a-z0-9-]+.
func meterName(v any) (string, error) {
	s, err := text(v)
	if err != nil {
		return "", err
	}
	if strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" || len(s) > 64 {
		return "", errors.New("must be at most 64 of the characters a to z, 0 to 9 and -")
	}
	return s, nil
}

// oneOf is one of the words.
func oneOf(words ...string) func(any) (string, error) {
	return func(v any) (string, error) {
		s, err := text(v)
		if err == nil && !slices.Contains(words, s) {
			err = errors.New(known(s, words))
		}
		return s, err
	}
}

// texts is a list of texts, not empty.
func texts(v any) ([]string, error) {
	list, ok := v.([]any)
	if !ok || len(list) == 0 {
		return nil, errors.New(`must be a list of texts, such as ["one", "two"]`)
	}
	out := make([]string, len(list))
	for i, e := range list {
		var err error
		if out[i], err = text(e); err != nil {
			return nil, fmt.Errorf("each of the list %w", err)
		}
	}
	return out, nil
}

// printables is a list of at most most printable lines, not empty.
func printables(most int) func(any) ([]string, error) {
	return func(v any) ([]string, error) {
		list, err := texts(v)
		if err == nil && len(list) > most {
			err = fmt.Errorf("must be at most %d lines", most)
		}
		for i, s := range list {
			if _, wrong := printable(s); wrong != nil && err == nil {
				err = fmt.Errorf("line %d %w", i+1, wrong)
			}
		}
		return list, err
	}
}

// prose is at most 2,000 printable characters in at most 40 lines, with no
// space around them.
func prose(v any) (string, error) {
	s, ok := v.(string)
	s = strings.TrimSpace(strings.ReplaceAll(s, "\r\n", "\n"))
	switch {
	case !ok:
		return "", errors.New("must be text in quotes; three quotes hold several lines")
	case s == "":
		return "", errors.New("must not be empty")
	case utf8.RuneCountInString(s) > 2000 || strings.Count(s, "\n") >= 40:
		return "", errors.New("must be at most 2000 characters in at most 40 lines")
	case strings.ContainsFunc(s, func(r rune) bool { return r != '\n' && !unicode.IsPrint(r) }):
		return "", errors.New("must be printable characters, without tabs")
	}
	return s, nil
}

func truth(v any) (bool, error) {
	b, ok := v.(bool)
	if !ok {
		return false, errors.New("must be true or false, without quotes")
	}
	return b, nil
}

// number is a finite number, whole or not.
func number(v any) (float64, error) {
	switch v := v.(type) {
	case int64:
		return float64(v), nil
	case float64:
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			return v, nil
		}
	}
	return 0, errors.New("must be a number, without quotes and without a unit")
}

// within is number from above low to high, in unit.
func within(low, high float64, unit string) func(any) (float64, error) {
	return func(v any) (float64, error) {
		x, err := number(v)
		if err == nil && !(x > low && x <= high) {
			err = fmt.Errorf("must be above %g and at most %.0f%s", low, high, unit)
		}
		return x, err
	}
}

func wholeFrom(low, high int) func(any) (int, error) {
	return func(v any) (int, error) {
		n, ok := v.(int64)
		if !ok || n < int64(low) || n > int64(high) {
			return 0, fmt.Errorf("must be a whole number from %d to %d", low, high)
		}
		return int(n), nil
	}
}

// decimal reads plain digits with an optional point; no exponent, no NaN.
func decimal(s string) (float64, bool) {
	if strings.Trim(s, "0123456789.") != "" {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil
}

// percentOf reads "65%" as 0.65.
func percentOf(s string) (float64, bool) {
	s, ok := strings.CutSuffix(s, "%")
	x, digits := decimal(strings.TrimSpace(s))
	return x / 100, ok && digits
}

// percent is a percentage such as "65%" above 0 and at most most, as a ratio.
func percent(most float64) func(any) (float64, error) {
	return func(v any) (float64, error) {
		s, ok := v.(string)
		x, isPercent := percentOf(s)
		if !ok || !isPercent {
			return 0, errors.New(`must be a percentage in quotes, such as "65%"`)
		}
		if !(x > 0 && x <= most) {
			return 0, fmt.Errorf("must be above 0 %% and at most %g %%", most*100)
		}
		return x, nil
	}
}

// days is a number of whole days.
func days(v any) (time.Duration, error) {
	s, _ := v.(string)
	number, found := strings.CutSuffix(s, "d")
	if n, err := strconv.Atoi(number); found && err == nil && n > 0 && n <= 36500 {
		return time.Duration(n) * 24 * time.Hour, nil
	}
	return 0, errors.New(`must be whole days in quotes, such as "90d" or "730d"`)
}

// byteSize reads "500MB" or "2GB", at least 1 MB: powers of ten.
func byteSize(v any) (int64, error) {
	s, _ := v.(string)
	for _, unit := range []struct {
		name  string
		bytes float64
	}{{"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}} {
		if number, found := strings.CutSuffix(s, unit.name); found {
			if x, ok := decimal(strings.TrimSpace(number)); ok && x*unit.bytes >= 1e6 && x*unit.bytes < 1e15 {
				return int64(x * unit.bytes), nil
			}
		}
	}
	return 0, errors.New(`must be a size in quotes, such as "500MB" or "2GB"`)
}

// duration is a Go duration above 0.
func duration(v any) (time.Duration, error) {
	s, ok := v.(string)
	d, err := time.ParseDuration(s)
	if !ok || err != nil || d <= 0 {
		return 0, errors.New(`must be a Go duration above 0 in quotes, such as "500ms", "5s", "45m", "10h" or "1h30m"`)
	}
	return d, nil
}

// rate is "1% per 5m".
type rate struct {
	ratio float64
	per   time.Duration
}

func ratePer(v any) (rate, error) {
	s, _ := v.(string)
	p, d, _ := strings.Cut(s, " per ")
	ratio, ok := percentOf(strings.TrimSpace(p))
	per, err := time.ParseDuration(strings.TrimSpace(d))
	if !ok || err != nil || !(ratio > 0 && ratio <= 1) || per <= 0 {
		return rate{}, errors.New(`must be a percentage above 0 and at most 100 per Go duration in quotes, such as "1% per 5m"`)
	}
	// The core looks at points 5 s apart, and no further back than 12 min.
	if per < time.Minute || per > 10*time.Minute {
		return rate{}, fmt.Errorf("is judged over %v: choose from 1m to 10m", per)
	}
	return rate{ratio, per}, nil
}

// amount is a figure with its unit, such as "60V" or "2mA", above 0 and at
// most most, in the SI unit of q.
func amount(q drivers.Quantity, most float64, example string) func(any) (float64, error) {
	return func(v any) (float64, error) {
		s, _ := v.(string)
		unit := strings.TrimLeft(s, "0123456789.")
		figure := strings.TrimSuffix(s, unit)
		got, prefix, err := drivers.ParseUnit(strings.TrimSpace(unit))
		if _, ok := decimal(figure); !ok || err != nil || got != q {
			return 0, fmt.Errorf("must be a figure in %s with its unit, in quotes, such as %q", q.SIUnit(), example)
		}
		x := shift(figure, prefix)
		if !(x > 0 && x <= most) {
			return 0, fmt.Errorf("must be above 0 and at most %g %s", most, q.SIUnit())
		}
		return x, nil
	}
}

// kelvin is a rise of temperature such as "40K", from 0 to 100 K. "°C" is
// refused: a figure with it may be meant as a temperature.
func kelvin(v any) (float64, error) {
	s, _ := v.(string)
	figure, ok := strings.CutSuffix(s, "K")
	x, digits := decimal(strings.TrimSpace(figure))
	if !ok || !digits || x > 100 {
		return 0, errors.New(`must be a rise of 0 to 100 kelvin in quotes, such as "40K"`)
	}
	return x, nil
}

// shift is the decimal figure times a power of ten, rounded once.
func shift(figure string, exp int8) float64 {
	x, err := strconv.ParseFloat(figure+"e"+strconv.Itoa(int(exp)), 64)
	if err != nil {
		return math.NaN()
	}
	return x
}

// accuracy is "0.5% + 3".
func accuracy(v any) (Accuracy, error) {
	s, _ := v.(string)
	p, c, plus := strings.Cut(s, "+")
	ratio, ok := percentOf(strings.TrimSpace(p))
	counts, digits := decimal(strings.TrimSpace(c))
	if !plus || !ok || !digits || ratio > 1 || counts > 1e6 {
		return Accuracy{}, errors.New(`must be percent of reading + counts of the last digit, in quotes, such as "0.5% + 3"`)
	}
	return Accuracy{Given: true, OfReading: ratio, Counts: counts}, nil
}
