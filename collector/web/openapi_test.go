package web

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

type description struct {
	Paths map[string]map[string]operation `json:"paths"`
}

type operation struct {
	Role       string                `json:"x-role"`
	Security   []map[string][]string `json:"security"`
	Parameters []struct {
		Ref  string `json:"$ref"`
		Name string `json:"name"`
		In   string `json:"in"`
	} `json:"parameters"`
	RequestBody *struct {
		Content map[string]any `json:"content"`
	} `json:"requestBody"`
	Responses map[string]any `json:"responses"`
}

// Every route is described with its role, and everything described is a route.
func TestRoutesAreDescribed(t *testing.T) {
	body, err := embedded.ReadFile("openapi.json")
	require.NoError(t, err)
	var d description
	require.NoError(t, json.Unmarshal(body, &d))
	var routes, described []string
	for _, r := range Routes() {
		routes = append(routes, r.Method+" "+strings.TrimSuffix(r.Path, "{$}")+" "+r.Role.String())
	}
	for path, methods := range d.Paths {
		for method, op := range methods {
			described = append(described, strings.ToUpper(method)+" "+path+" "+op.Role)
			checkOperation(t, method+" "+path, path, op)
		}
	}
	slices.Sort(routes)
	slices.Sort(described)
	require.Equal(t, routes, described)
}

func checkOperation(t *testing.T, where, path string, op operation) {
	t.Helper()
	var names []string
	for _, p := range op.Parameters {
		name := p.Name
		if name == "" {
			name = p.Ref[strings.LastIndex(p.Ref, "/")+1:]
		}
		names = append(names, name)
	}
	for part := range strings.SplitSeq(path, "/") {
		if strings.HasPrefix(part, "{") {
			require.Contains(t, names, strings.Trim(part, "{}"), where)
		}
	}
	require.NotNil(t, op.Security, "%s: says nothing of who may ask", where)
	if op.Role == record.Public.String() {
		require.Empty(t, op.Security, where)
		return
	}
	require.Len(t, op.Security, 2, where)
	for _, status := range []string{"401", "403"} {
		require.Contains(t, op.Responses, status, where)
	}
}
