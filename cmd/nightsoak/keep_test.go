package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
	"nightsoak/export/record"
	"nightsoak/export/report"
)

// TestKept holds reports of a night from the kept data against those from
// judging it again: every form, byte for byte, and the data themselves.
func TestKept(t *testing.T) {
	dir := t.TempDir()
	info := recordNight(t, dir, night.RunawayGas, 5)
	s, err := record.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	keep := keeperFor(dir)
	all := func(k *keeper) (files map[string]string, d *report.Data) {
		d, err := collect(t.Context(), s, info, k)
		if err != nil {
			t.Fatal(err)
		}
		files = map[string]string{}
		for _, suffix := range report.Suffixes {
			var b bytes.Buffer
			if err := report.Write(&b, suffix, d); err != nil {
				t.Fatal(err)
			}
			files[suffix] = b.String()
		}
		return files, d
	}
	want, wantData := all(&keeper{})
	if _, err := collect(t.Context(), s, info, keep); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "judged", info.ID+".gob")
	if _, err := os.Stat(path); err != nil {
		t.Fatal(err)
	}
	asked := 0
	if _, err := keep.get(info, func() (*report.Data, error) { asked++; return nil, errors.New("judged again") }); err != nil || asked > 0 {
		t.Fatalf("not kept: %v", err)
	}
	got, gotData := all(keep)
	for suffix := range want {
		if want[suffix] != got[suffix] {
			t.Errorf("%s from the kept data differs", suffix)
		}
	}
	for _, x := range []struct {
		what      string
		want, got any
	}{{"events", wantData.Events, gotData.Events}, {"final", wantData.Final, gotData.Final}, {"idle", wantData.Idle, gotData.Idle},
		{"worst", wantData.Worst, gotData.Worst}, {"hash", wantData.Hash, gotData.Hash}} {
		if !reflect.DeepEqual(x.want, x.got) {
			t.Errorf("%s: kept %+v, want %+v", x.what, x.got, x.want)
		}
	}

	// What is not this run's, this program's or whole is not read.
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	refused := func(what string, k *keeper, info record.Info, content []byte) {
		t.Helper()
		if err := os.WriteFile(path, content, 0o644); err != nil {
			t.Fatal(err)
		}
		again := errors.New("judged again")
		if _, err := k.get(info, func() (*report.Data, error) { return nil, again }); !errors.Is(err, again) {
			t.Errorf("%s was read: %v", what, err)
		}
	}
	torn := bytes.Clone(whole)
	torn[len(torn)/2] ^= 1
	refused("a damaged file", keep, info, torn)
	refused("half a file", keep, info, whole[:len(whole)/2])
	refused("nothing", keep, info, nil)
	refused("another program's", &keeper{dir: keep.dir, program: "another"}, info, whole)
	more := info
	more.Readings++
	refused("a changed record's", keep, more, whole)
	unfinished := info
	unfinished.Ended = nil
	refused("an unfinished run's", keep, unfinished, whole)
}

// TestKeptPointers finds every pointer to a plain value in what is kept: gob
// drops those to zero values, so each must be among those that kept names.
func TestKeptPointers(t *testing.T) {
	var found []string
	seen := map[reflect.Type]bool{}
	var walk func(path string, typ reflect.Type)
	walk = func(path string, typ reflect.Type) {
		switch typ.Kind() {
		case reflect.Slice, reflect.Array:
			walk(path, typ.Elem())
		case reflect.Pointer:
			if typ.Elem().Kind() != reflect.Struct {
				found = append(found, path)
				return
			}
			walk(path, typ.Elem())
		case reflect.Struct:
			if seen[typ] {
				return
			}
			seen[typ] = true
			for i := range typ.NumField() {
				if f := typ.Field(i); f.IsExported() {
					walk(typ.Name()+"."+f.Name, f.Type)
				}
			}
		}
	}
	walk("Event", reflect.TypeFor[alarms.Event]())
	walk("Snapshot", reflect.TypeFor[alarms.Snapshot]())
	if want := []string{"Event.Open", "Event.From", "HTState.Charged"}; !reflect.DeepEqual(found, want) {
		t.Errorf("pointers to plain values: %v, of which keep.go knows %v", found, want)
	}
}
