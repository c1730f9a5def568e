package web_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/fact"
)

func TestImportOfTables(t *testing.T) {
	s := newGuardedSite(t)
	work := []*http.Cookie{s.signIn(t, "Will", workers)}
	check := schemas{t, getJSON[map[string]any](t, sharedSite(t), "/api/v1/openapi.json")}
	post := func(path, table string) *httptest.ResponseRecorder {
		return s.do(t, call{method: "POST", path: "/api/v1/import/" + path, json: table, headers: []string{"Content-Type", "text/csv"}, cookies: work})
	}
	done := func(path, table string, fresh, same float64) {
		t.Helper()
		w := post(path, table)
		require.Equal(t, http.StatusOK, w.Code, w.Body)
		var got map[string]any
		d := json.NewDecoder(strings.NewReader(w.Body.String()))
		d.UseNumber()
		require.NoError(t, d.Decode(&got))
		check.check(path, map[string]any{"$ref": "#/components/schemas/ImportedBooks"}, got)
		require.JSONEq(t, jsonOf(map[string]any{"dry_run": strings.Contains(path, "dry_run"), "new": fresh, "changed": 0, "same": same}), w.Body.String())
	}
	const owners = "id,name\npark-office,The owners of the park\n"
	done("owners?dry_run=true", owners, 1, 0)
	facts, err := s.store.FactsOf(t.Context(), fact.KindOwner)
	require.NoError(t, err)
	require.Empty(t, facts)
	done("owners", owners, 1, 0)
	done("owners", owners, 0, 1)
	const shelf = "kind,name,class,quantity,condition,grade\ncover,Cover,cover,2,used,b\n"
	done("parts?dry_run=true", shelf, 2, 0)
	done("parts", shelf, 2, 0)
	done("parts", shelf, 0, 1)

	for path, c := range map[string]struct {
		table, says string
		code        int
	}{
		"houses":           {owners, "choose facts, owners", http.StatusBadRequest},
		"owners?from=soon": {owners, "write a date", http.StatusBadRequest},
		"sites":            {"id,salt,sun\nlake,sea,none\n", "line 2, sun", http.StatusBadRequest},
		"stations":         {"id,name\nlake-99,New\n", "it is not enrolled", http.StatusBadRequest},
		"parts":            {"kind\nhorn\n", "the shelf has no such kind", http.StatusBadRequest},
		"lines":            {"id\n" + strings.Repeat("x", 2<<20), "at most", http.StatusRequestEntityTooLarge},
		"sensors?when=1":   {owners, "when", http.StatusBadRequest},
	} {
		w := post(path, c.table)
		require.Equal(t, c.code, w.Code, "%s: %s", path, w.Body)
		require.Contains(t, w.Body.String(), c.says, path)
	}
	w := s.do(t, call{method: "POST", path: "/api/v1/import/owners", json: "{}", cookies: work})
	require.Equal(t, http.StatusUnsupportedMediaType, w.Code)
}

func jsonOf(v any) string {
	b, _ := json.Marshal(v) // of numbers and words
	return string(b)
}
