package web

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

type description struct {
	Paths map[string]map[string]struct {
		Parameters []struct {
			Ref  string `json:"$ref"`
			Name string `json:"name"`
			In   string `json:"in"`
		} `json:"parameters"`
	} `json:"paths"`
}

// Every route is described, and everything described is a route.
func TestRoutesAreDescribed(t *testing.T) {
	body, err := embedded.ReadFile("openapi.json")
	require.NoError(t, err)
	var d description
	require.NoError(t, json.Unmarshal(body, &d))
	var routes, described []string
	for _, r := range (&server{}).routes() {
		routes = append(routes, strings.TrimSuffix(r.path, "{$}"))
	}
	for path, methods := range d.Paths {
		described = append(described, path)
		require.Len(t, methods, 1, path)
		get, ok := methods["get"]
		require.True(t, ok, "%s: only GET is served", path)
		var names []string
		for _, p := range get.Parameters {
			name := p.Name
			if name == "" {
				name = p.Ref[strings.LastIndex(p.Ref, "/")+1:]
			}
			names = append(names, name)
		}
		for part := range strings.SplitSeq(path, "/") {
			if strings.HasPrefix(part, "{") {
				require.Contains(t, names, strings.Trim(part, "{}"), path)
			}
		}
	}
	slices.Sort(routes)
	slices.Sort(described)
	require.Equal(t, routes, described)
}
