package panel

import (
	"encoding/json"
	"maps"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestActsDescribed: the document has each act, with exactly the fields that it
// must carry. Mend openapi.json.
func TestActsDescribed(t *testing.T) {
	var doc struct {
		Paths map[string]map[string]struct {
			RequestBody struct {
				Content map[string]struct{ Schema struct{ Required []string } }
			}
		}
	}
	if err := json.Unmarshal(openAPI, &doc); err != nil {
		t.Fatal(err)
	}
	described := map[string][]string{}
	for path, methods := range doc.Paths {
		if post, ok := methods["post"]; ok {
			described[path] = append([]string{}, post.RequestBody.Content["application/json"].Schema.Required...)
		}
	}
	want := map[string][]string{}
	for name, fields := range acts {
		want["/api/"+name] = slices.Clone(fields)
	}
	for _, m := range []map[string][]string{described, want} {
		for k := range maps.Keys(m) {
			slices.Sort(m[k])
		}
	}
	if diff := cmp.Diff(want, described); diff != "" {
		t.Errorf("openapi.json differs from the acts (-acts +openapi.json):\n%s", diff)
	}
}
