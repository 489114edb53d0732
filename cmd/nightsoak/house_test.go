package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// sources calls visit for every Go file of the module that is not a test.
func sources(t *testing.T, visit func(path string, f *ast.File, fset *token.FileSet)) {
	t.Helper()
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, path, nil, parser.ParseComments)
		if err == nil {
			visit(path, f, fset)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Every exported name says what it is. Methods that only fulfil a well-known
// interface need not.
func TestExportedNamesAreDocumented(t *testing.T) {
	known := map[string]bool{"Error": true, "Unwrap": true, "String": true, "Read": true, "Write": true, "Close": true,
		"Reading": true, "Port": true, "Rejected": true, "State": true, "Events": true, "Trace": true, "Act": true, "Begin": true, "Runs": true, "Report": true, "Connect": true, "Describe": true, "Collect": true, "SetReadTimeout": true, "Rejects": true, "Feed": true, "Ask": true}
	names := 0
	sources(t, func(path string, f *ast.File, fset *token.FileSet) {
		check := func(id *ast.Ident, docs ...*ast.CommentGroup) {
			if !id.IsExported() {
				return
			}
			names++
			for _, d := range docs {
				if d != nil {
					return
				}
			}
			t.Errorf("%s: %s has no comment", fset.Position(id.Pos()), id.Name)
		}
		for _, d := range f.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				if d.Recv == nil || !known[d.Name.Name] {
					check(d.Name, d.Doc)
				}
			case *ast.GenDecl:
				for _, s := range d.Specs {
					switch s := s.(type) {
					case *ast.TypeSpec:
						check(s.Name, s.Doc, d.Doc)
					case *ast.ValueSpec:
						for _, n := range s.Names {
							check(n, s.Doc, s.Comment, d.Doc)
						}
					}
				}
			}
		}
	})
	if names < 100 {
		t.Errorf("only %d exported names seen: is this the module?", names)
	}
}

// Imports run only to the left: drivers, acquire, alarms, export, cmd.
func TestRooms(t *testing.T) {
	rooms := []string{"drivers", "acquire", "alarms", "export", "cmd"}
	room := func(path string) int {
		return slices.IndexFunc(rooms, func(r string) bool { return path == r || strings.HasPrefix(path, r+"/") })
	}
	imports := 0
	sources(t, func(path string, f *ast.File, fset *token.FileSet) {
		in, err := filepath.Rel("../..", path)
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range f.Imports {
			to, own := strings.CutPrefix(strings.Trim(i.Path.Value, `"`), "nightsoak/")
			if !own {
				continue
			}
			imports++
			if room(to) > room(filepath.ToSlash(in)) || room(to) < 0 {
				t.Errorf("%s: imports %s, which is to its right", fset.Position(i.Pos()), to)
			}
		}
	})
	if imports < 20 {
		t.Errorf("only %d imports of our own seen: is this the module?", imports)
	}
}
