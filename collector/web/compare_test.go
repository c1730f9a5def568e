package web_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestComparison(t *testing.T) {
	s := sharedSite(t)
	const path = "/api/v1/stations/lake-07/comparison"
	type side struct {
		Verdict string   `json:"verdict"`
		Change  *float64 `json:"change_a_day"`
	}
	type answer struct {
		Station    string `json:"station"`
		AtRisk     side   `json:"at_risk"`
		Condensing side   `json:"condensing"`
	}
	want := answer{"lake-07", side{"not enough is known yet", nil}, side{"not enough is known yet", nil}}
	require.Equal(t, want, getJSON[answer](t, s, path+"?before=2025-10-20..2025-10-24&after=2025-10-24..2025-10-28"))
	require.Equal(t, want, getJSON[answer](t, s, path))

	for _, query := range []string{
		"?before=2025-10-20..2025-10-24", "?before=x&after=2025-10-24..2025-10-28", "?before=2025-10-20&after=2025-10-24..2025-10-28",
		"?before=2025-10-20..2025-10-20&after=2025-10-24..2025-10-28", "?before=2025-10-20..2025-10-24&after=2025-10-22..2025-10-28", "?since=1",
	} {
		require.Equal(t, http.StatusBadRequest, ask(s, http.MethodGet, "http://127.0.0.1"+path+query).Code, query)
	}
	require.Equal(t, http.StatusNotFound, ask(s, http.MethodGet, "http://127.0.0.1/api/v1/stations/nobody/comparison").Code)
}
