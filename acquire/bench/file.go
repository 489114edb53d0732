package bench

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// file is a TOML file being read: its values, where each key stands, and what
// was found wrong so far.
type file struct {
	name     string
	text     []byte
	at       map[string]int // byte offset of each key path
	problems Problems
}

// open reads text as TOML. TOML that is not well formed is the one problem
// that stops the reading; all others are gathered.
func open(name string, text []byte) (*file, *table, error) {
	f := &file{name: name, text: text}
	var values map[string]any
	if err := toml.Unmarshal(text, &values); err != nil {
		p := &Problem{File: name, Line: 1, Column: 1}
		if d, ok := errors.AsType[*toml.DecodeError](err); ok {
			p.Line, p.Column = d.Position()
			p.Key = strings.Join(d.Key(), ".")
		}
		p.Err = fmt.Errorf("%w; text, percentages and durations stand in \"quotes\", and a key or table stands once",
			notTOML{err})
		return nil, nil, Problems{p}
	}
	f.at = positions(text)
	return f, &table{file: f, values: values}, nil
}

// notTOML keeps the TOML reader's error and says it in this file's way.
type notTOML struct{ error }

func (e notTOML) Error() string { return "not TOML: " + strings.TrimPrefix(e.error.Error(), "toml: ") }
func (e notTOML) Unwrap() error { return e.error }

// positions maps each key path ("socket[0].sense.meter") to the byte offset at
// which its key stands. text must be valid TOML.
func positions(text []byte) map[string]int {
	at := map[string]int{}
	elements := map[string]int{} // of each array of tables so far
	var p unstable.Parser
	p.Reset(text)

	// enter follows a key from path; list says that it opens a new element.
	enter := func(path string, key unstable.Iterator, list bool) string {
		for key.Next() {
			n := key.Node()
			path = join(path, string(n.Data))
			if _, ok := at[path]; !ok {
				at[path] = int(n.Raw.Offset)
			}
			if list && n.Next() == nil {
				elements[path]++
			}
			if e := elements[path]; e > 0 {
				path = element(path, e-1)
				if _, ok := at[path]; !ok {
					at[path] = int(n.Raw.Offset)
				}
			}
		}
		return path
	}
	var value func(path string, v *unstable.Node)
	value = func(path string, v *unstable.Node) {
		i := 0
		for it := v.Children(); it.Next(); i++ {
			n := it.Node()
			switch {
			case v.Kind == unstable.InlineTable && n.Kind == unstable.KeyValue:
				value(enter(path, n.Key(), false), n.Value())
			case v.Kind == unstable.Array && n.Kind == unstable.InlineTable:
				at[element(path, i)] = int(n.Raw.Offset)
				value(element(path, i), n)
			}
		}
	}
	header := ""
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			header = enter("", e.Key(), e.Kind == unstable.ArrayTable)
		case unstable.KeyValue:
			value(enter(header, e.Key(), false), e.Value())
		}
	}
	return at
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func element(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// table is one table of a file. Its keys are known by being asked for; done
// reports the rest.
type table struct {
	file   *file
	path   string // in file.at
	header string // "[[socket]]", "[limits]", or empty for the top
	show   string // what errors put before a key
	values map[string]any
	asked  []string
}

// has says whether the file gives key.
func (t *table) has(key string) bool {
	_, ok := t.values[key]
	return ok
}

// fail records what is wrong with a key of t. A key that is not there is
// placed at the table's own line.
func (t *table) fail(key, format string, args ...any) {
	p := &Problem{File: t.file.name, Key: t.show + quoteKey(key), Err: fmt.Errorf(format, args...)}
	p.Line, p.Column = t.position(key)
	if v, given := t.values[key]; given && !slices.Contains([]string{"url", "url_file", "secret", "link", "token", "password"}, key) && !(t.header == "[[lines]]" && key == "to" && strings.ContainsAny(fmt.Sprint(v), "?@")) { // may hold a password, if by mistake
		p.Value = literal(v)
	}
	t.file.problems = append(t.file.problems, p)
}

// position is the line and column of a key of t, or of t itself without it.
func (t *table) position(key string) (line, column int) {
	path := join(t.path, key)
	offset, ok := t.file.at[path]
	for !ok && path != "" {
		path = path[:max(strings.LastIndexAny(path, ".["), 0)]
		offset, ok = t.file.at[path]
	}
	before := t.file.text[:offset]
	return 1 + bytes.Count(before, []byte("\n")), offset - bytes.LastIndexByte(before, '\n')
}

// place is the line of a key, for errors that point at another one.
func (t *table) place(key string) string {
	line, _ := t.position(key)
	return "line " + strconv.Itoa(line)
}

// quoteKey quotes a key that would not read as one.
func quoteKey(key string) string {
	for _, c := range key {
		if !(c == '-' || c == '_' || c == '.' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z') {
			return shorten(strconv.Quote(key))
		}
	}
	return shorten(key)
}

// literal shows a value much as TOML writes it, on one line; a table is not shown.
func literal(v any) string {
	switch v := v.(type) {
	case map[string]any:
		return ""
	case string:
		return shorten(strconv.Quote(v))
	case []any:
		if len(v) > 0 {
			if _, tables := v[0].(map[string]any); tables {
				return ""
			}
		}
		parts := make([]string, min(len(v), 8))
		for i := range parts {
			parts[i] = literal(v[i])
		}
		return shorten("[" + strings.Join(parts, ", ") + "]")
	default:
		return shorten(fmt.Sprint(v))
	}
}

func shorten(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:59]) + "…"
	}
	return s
}

// done reports the keys that nothing asked for.
func (t *table) done() {
	for _, key := range slices.Sorted(maps.Keys(t.values)) {
		if !slices.Contains(t.asked, key) {
			t.fail(key, "unknown key; %s", known(key, t.asked))
		}
	}
}

// sub is the table under key, empty when the file has none.
func (t *table) sub(key string) (s *table, given bool) {
	t.asked = append(t.asked, key)
	s = &table{file: t.file, path: join(t.path, key), header: key, show: t.show + key + "."}
	if t.path == "" {
		s.header = "[" + key + "]"
	}
	v, given := t.values[key]
	if !given {
		return s, false
	}
	if s.values, given = v.(map[string]any); !given {
		t.fail(key, "must be a table: write %s = { ... }", key)
	}
	return s, given
}

// list is the tables under [[key]].
func (t *table) list(key string) []*table {
	t.asked = append(t.asked, key)
	v, given := t.values[key]
	if !given {
		return nil
	}
	elements, ok := v.([]any)
	tables := make([]*table, 0, len(elements))
	for i, e := range elements {
		values, isTable := e.(map[string]any)
		if !isTable {
			ok = false
			break
		}
		tables = append(tables, &table{file: t.file, path: element(join(t.path, key), i), header: "[[" + key + "]]", values: values})
	}
	if !ok {
		t.fail(key, "must be a list of tables: write [[%s]] on a line of its own for each", key)
		return nil
	}
	return tables
}

// get reads an optional key; def is its value when it is absent or wrong.
func get[T any](t *table, key string, def T, read func(any) (T, error)) T {
	t.asked = append(t.asked, key)
	v, given := t.values[key]
	if !given {
		return def
	}
	x, err := read(v)
	if err != nil {
		t.fail(key, "%w", err)
		return def
	}
	return x
}

// need reads a key that must be there.
func need[T any](t *table, key string, read func(any) (T, error)) T {
	var zero T
	if !t.has(key) {
		where := t.header
		if where == "" {
			where = "the file"
		}
		t.fail(key, "is missing from %s", where)
	}
	return get(t, key, zero, read)
}
