package bench

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"nightsoak/drivers/nearest"
)

// Problem is one thing wrong in a bench or job file.
type Problem struct {
	File   string // as given to Parse or Load
	Line   int    // from 1
	Column int    // byte in the line, from 1
	Key    string // "sense.meter"; empty when the text is not TOML
	Value  string // as TOML would write it, shortened; empty for a table or a missing key
	Err    error  // what is wrong and what is allowed
}

// Error is one line: file:line:column: key = value: what is wrong.
func (p *Problem) Error() string {
	s := fmt.Sprintf("%s:%d:%d: ", p.File, p.Line, p.Column)
	if p.Key != "" {
		s += p.Key
		if p.Value != "" {
			s += " = " + p.Value
		}
		s += ": "
	}
	return strings.NewReplacer("\r", " ", "\n", " ").Replace(s + p.Err.Error())
}

// Unwrap is the cause.
func (p *Problem) Unwrap() error { return p.Err }

// Problems is everything wrong in one file, in line order: the error of Parse
// and ParseJob for a file that is not valid.
type Problems []*Problem

// Error is one line for each problem.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives every problem to errors.Is and errors.As.
func (ps Problems) Unwrap() []error {
	errs := make([]error, len(ps))
	for i, p := range ps {
		errs[i] = p
	}
	return errs
}

// sorted is ps in line order, nil when there are none.
func (ps Problems) sorted() error {
	if len(ps) == 0 {
		return nil
	}
	slices.SortStableFunc(ps, func(a, b *Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return ps
}

// known says what is allowed, and which of it lies nearest to word.
func known(word string, allowed []string) string {
	if len(allowed) == 0 {
		return "there are none"
	}
	return fmt.Sprintf("known are %s (did you mean %q?)", strings.Join(allowed, ", "), nearest.Names(word, allowed, 1)[0])
}
