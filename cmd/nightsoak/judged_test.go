package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
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

// TestReportCommand writes a night in every form. A doubter's way through them:
// the readings have the hash that the report names, and judged from the CSV they
// give the events that it attaches.
func TestReportCommand(t *testing.T) {
	dir, data := t.TempDir(), t.TempDir()
	info := recordNight(t, data, night.RunawayGas, 5)
	file := func(name string, more ...string) string {
		path := filepath.Join(dir, name)
		out := must(t, append([]string{"report", info.ID, "--data", data, "--out", path}, more...)...)
		if out != "report: "+path+"\n" {
			t.Errorf("%s: said %q", name, out)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	readings, events := file("r.csv"), file("r.events.json")
	var told struct {
		Run struct {
			Hash string `json:"readings_sha256"`
		} `json:"run"`
		Against *struct{ Run struct{ ID string } } `json:"against"`
	}
	if err := json.Unmarshal([]byte(file("R.JSON", "--against", info.ID)), &told); err != nil {
		t.Fatal(err)
	}
	if sum := fmt.Sprintf("%x", sha256.Sum256([]byte(readings))); told.Run.Hash != sum {
		t.Errorf("the report names %s, the readings are %s", told.Run.Hash, sum)
	}
	if told.Against == nil || told.Against.Run.ID != info.ID {
		t.Errorf("against %+v", told.Against)
	}
	for name, begin := range map[string]string{"r.pdf": "%PDF-", "r.png": "\x89PNG", "r.html": "<!DOCTYPE html>", "r.svg": "<svg", "r.figures.csv": "t,time,V"} {
		if b := file(name, "--paper", "letter"); !strings.HasPrefix(b, begin) {
			t.Errorf("%s begins with %q", name, b[:min(len(b), 20)])
		}
	}
	if rows := strings.Count(readFile(t, filepath.Join(dir, "r.figures.csv")), "\n") - 1; rows != int(info.Advanced/report.TableStep) && rows != int(info.Advanced/report.TableStep)+1 {
		t.Errorf("%d rows of 10 s in %v", rows, info.Advanced)
	}

	var lines, acts strings.Builder
	for _, l := range strings.Split(strings.Trim(events, "[]\n"), "\n") {
		l = strings.TrimSuffix(l, ",") + "\n"
		lines.WriteString(l)
		if strings.Contains(l, `"event":"act"`) {
			acts.WriteString(l)
		}
	}
	for name, text := range map[string]string{"bench.toml": string(info.BenchText), "job.toml": string(info.JobText), "acts": acts.String()} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	at := func(name string) string { return filepath.Join(dir, name) }
	if got := must(t, "replay", at("r.csv"), "--acts", at("acts"), "--bench", at("bench.toml"), "--job", at("job.toml"), "--json"); got != lines.String() {
		t.Errorf("the readings judged from the file give other events than those attached:\n%.2000s\nwant\n%.2000s", got, lines.String())
	}
	if _, errOut, code := nightsoak(t, "report", info.ID, "--data", data, "--out", at("x.pdf"), "--against", "nothing"); code != 2 || !strings.Contains(errOut, "--against") {
		t.Errorf("--against an unknown run: %d, %s", code, errOut)
	}
	if _, errOut, code := nightsoak(t, "report", info.ID, "--data", data, "--out", at("x.pdf"), "--paper", "a3"); code != 2 || !strings.Contains(errOut, "letter") {
		t.Errorf("--paper a3: %d, %s", code, errOut)
	}
	if out := must(t, "schema"); !json.Valid([]byte(out)) || !strings.Contains(out, "2020-12") {
		t.Errorf("schema: %.200s", out)
	}
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
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
	if want := []string{"Event.Open", "Event.From", "Event.ReadT", "HTState.Charged"}; !reflect.DeepEqual(found, want) {
		t.Errorf("pointers to plain values: %v, of which judged.go knows %v", found, want)
	}
}
