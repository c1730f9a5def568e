package web_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/outlook"
	"dewpost/rules/season"
)

// The page and the API tell the same of a real station, and what can't be asked is
// refused by name.
func TestAheadOfAStation(t *testing.T) {
	s := sharedSite(t)
	type ahead struct {
		Station    string `json:"station"`
		Condensing struct {
			Bands []any `json:"bands"`
		} `json:"condensing_score"`
		Season struct {
			Months []season.Month `json:"months"`
			Budget *float64       `json:"budget_h_eq"`
			WhatIf []struct {
				Change string `json:"change"`
				WhyNot string `json:"why_not"`
			} `json:"what_if"`
		} `json:"season"`
	}
	got := getJSON[ahead](t, s, "/api/v1/stations/lake-02/ahead?what_if=heater,coat")
	require.Equal(t, "lake-02", got.Station)
	require.Len(t, got.Season.Months, 12)
	require.Len(t, got.Season.WhatIf, 2)
	require.Positive(t, *got.Season.Budget)
	require.Len(t, got.Condensing.Bands, outlook.Bands)
	w := ask(s, http.MethodGet, "http://127.0.0.1/api/v1/stations/lake-02/ahead?what_if=pray")
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "under-eave")
	require.Equal(t, http.StatusNotFound, ask(s, http.MethodGet, "http://127.0.0.1/api/v1/stations/nobody/ahead").Code)

	page := ask(s, http.MethodGet, "http://127.0.0.1/stations/lake-02/ahead?what_if=heater")
	require.Equal(t, http.StatusOK, page.Code)
	for _, text := range []string{"The months ahead", "Fit a small heating resistor", "learned yet", "What if"} {
		require.Contains(t, page.Body.String(), text)
	}
	require.Equal(t, http.StatusBadRequest, ask(s, http.MethodGet, "http://127.0.0.1/stations/lake-02/ahead?sort=up").Code)
	require.Equal(t, http.StatusBadRequest, ask(s, http.MethodGet, "http://127.0.0.1/stations/lake-02/ahead?what_if=pray").Code)
	require.Contains(t, ask(s, http.MethodGet, "http://127.0.0.1/stations/lake-02").Body.String(), "The months ahead, and what a change would do")

	items := getJSON[struct {
		Items []any `json:"items"`
	}](t, s, "/api/v1/stations/lake-02/outlook?limit=3")
	require.NotNil(t, items.Items)
	require.Equal(t, http.StatusNotFound, ask(s, http.MethodGet, "http://127.0.0.1/api/v1/stations/nobody/outlook").Code)
	require.NotNil(t, getJSON[struct {
		Items []any `json:"items"`
	}](t, s, "/api/v1/life").Items)
}
