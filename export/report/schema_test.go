package report

import (
	"bytes"
	"maps"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// TestJSONKeepsItsSchema validates reports of every kind with an independent
// validator of JSON Schema, formats among them.
func TestJSONKeepsItsSchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("report.json", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("report.json")
	if err != nil {
		t.Fatal(err)
	}
	validate := func(text string) error {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
		if err != nil {
			return err
		}
		return schema.Validate(v)
	}
	both := large(12, 40, 9*time.Hour)
	both.Against, both.Hash = night(time.Hour, false), strings.Repeat("0f", 32)
	unfinished := night(time.Hour, false)
	unfinished.Ended = false
	runs := map[string]*Data{"quiet": night(whole, false), "runaway": night(3*time.Hour, true), "large, against": both, "unfinished": unfinished, "first power-up": firstNight(false), "first power-up, still": firstNight(true)}
	maps.Copy(runs, little())
	delete(runs, "odd events") // which no engine makes
	for name, d := range runs {
		if err := validate(write(t, ".json", d)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	// And the schema refuses what is not so.
	good := write(t, ".json", night(time.Hour, true))
	for old, bad := range map[string]string{
		`"plate_at_most":true`: `"plate_at_most":1`, `"half":"a"`: `"half":"c"`, `"beside":`: `"besides":`,
		`"priority":"high"`: `"priority":"dire"`, `"readings_sha256":null`: `"readings_sha256":"0f"`, `"event":"phase","phase":"standby"`: `"event":"phase"`,
		`"started":"2026`: `"started":"on 2026`,
	} {
		wrong := strings.Replace(good, old, bad, 1)
		if wrong == good {
			t.Fatalf("no %s in the report", old)
		}
		if validate(wrong) == nil {
			t.Errorf("%s passes", bad)
		}
	}
}
