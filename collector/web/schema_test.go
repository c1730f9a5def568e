package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// schemas checks values against what the description says of them: the part
// of JSON Schema that it uses.
type schemas struct {
	t   *testing.T
	doc map[string]any
}

func (s *schemas) resolve(schema map[string]any) map[string]any {
	ref, ok := schema["$ref"].(string)
	if !ok {
		return schema
	}
	var at any = s.doc
	for part := range strings.SplitSeq(strings.TrimPrefix(ref, "#/"), "/") {
		at = at.(map[string]any)[part]
	}
	require.NotNil(s.t, at, ref)
	return s.resolve(at.(map[string]any))
}

func (s *schemas) check(where string, schema map[string]any, v any) {
	schema = s.resolve(schema)
	if choices, ok := schema["anyOf"].([]any); ok { // one that may be null
		require.Len(s.t, choices, 2, where)
		require.Equal(s.t, map[string]any{"type": "null"}, choices[1], where)
		if v != nil {
			s.check(where, choices[0].(map[string]any), v)
		}
		return
	}
	require.Contains(s.t, types(schema["type"]), kind(v), where)
	if choices, ok := schema["enum"].([]any); ok {
		require.Contains(s.t, choices, v, where)
	}
	switch v := v.(type) {
	case []any:
		for i, item := range v {
			s.check(fmt.Sprintf("%s[%d]", where, i), schema["items"].(map[string]any), item)
		}
	case map[string]any:
		s.object(where, schema, v)
	}
}

func (s *schemas) object(where string, schema, v map[string]any) {
	if required, ok := schema["required"].([]any); ok {
		for _, name := range required {
			require.Contains(s.t, v, name, where)
		}
	}
	properties, described := schema["properties"].(map[string]any)
	for name, value := range v {
		if p, ok := properties[name].(map[string]any); ok {
			s.check(where+"."+name, p, value)
			continue
		}
		more, ok := schema["additionalProperties"].(map[string]any)
		require.True(s.t, ok || !described, "%s.%s is not described", where, name)
		if ok {
			s.check(where+"."+name, more, value)
		}
	}
}

func types(v any) []string {
	if one, ok := v.(string); ok {
		return widen([]string{one})
	}
	var all []string
	for _, one := range v.([]any) {
		all = append(all, one.(string))
	}
	return widen(all)
}

// widen lets an integer stand where a number is meant.
func widen(all []string) []string {
	if slices.Contains(all, "number") {
		return append(all, "integer")
	}
	return all
}

func kind(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case bool:
		return "boolean"
	case string:
		return "string"
	case json.Number:
		if strings.ContainsAny(v.String(), ".eE") {
			return "number"
		}
		return "integer"
	case []any:
		return "array"
	default:
		return "object"
	}
}

// asked is what a path can't be asked without.
var asked = map[string]string{
	"/api/v1/coating":  "?temp_c=21&rh_pct=48",
	"/report.pdf":      "?id=lake-07&from=2025-10-20&to=2025-10-26",
	"/visits/load.pdf": "?day=2025-10-30",
}

// What is answered is what is described.
func TestAnswersMatchTheirDescription(t *testing.T) {
	s := sharedSite(t)
	check := schemas{t, getJSON[map[string]any](t, s, "/api/v1/openapi.json")}
	paths := check.doc["paths"].(map[string]any)
	checked := 0
	for path := range paths {
		get, ok := paths[path].(map[string]any)["get"].(map[string]any)
		if !ok || get["x-role"] != "look" {
			continue // what takes more is in its own tests
		}
		answer := get["responses"].(map[string]any)
		content := answer["200"].(map[string]any)["content"].(map[string]any)
		schema, ok := content["application/json"].(map[string]any)
		if !ok {
			continue
		}
		ids := []string{"lake-07", "lake-12", "quay-20"}
		if strings.HasPrefix(path, "/api/v1/sites/{id}") {
			ids = []string{"lake", "quay"}
		}
		for _, id := range ids {
			v := getJSON[map[string]any](t, s, strings.NewReplacer("{kind}", "stations", "{what}", "findings", "{part}", "keypad", "{alarm}", "lake-07:board_wet:1", "{id}", id, "{n}", "1").Replace(path)+asked[path])
			check.check(path, schema["schema"].(map[string]any), v)
			checked++
		}
	}
	require.Greater(t, checked, 20)

	w := s.get(t, "/api/v1/stations/nobody")
	require.Equal(t, http.StatusNotFound, w.Code)
	var problem any
	d := json.NewDecoder(w.Body)
	d.UseNumber()
	require.NoError(t, d.Decode(&problem))
	check.check("problem", map[string]any{"$ref": "#/components/schemas/Problem"}, problem)
}
