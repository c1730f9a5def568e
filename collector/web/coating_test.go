package web_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/coating"
)

// anyAir are limits that any air above 0 °C keeps, but for dew.
const anyAir = "&margin_k=0&rh_max_pct=100&temp_min_c=0&temp_max_c=60&cure_h=2"

func TestCoatingOfAStationsAir(t *testing.T) {
	s := sharedSite(t)
	doc := getJSON[map[string]any](t, s, "/api/v1/openapi.json")
	check := schemas{t, doc}
	schema := map[string]any{"$ref": "#/components/schemas/Coating"}
	for _, query := range []string{"station=lake-02", "station=lake-02&sensor=inside", "station=lake-12&sensor=inside", "temp_c=21&rh_pct=48", "temp_c=21&rh_pct=48&board_temp_c=20.5"} {
		check.check(query, schema, getJSON[map[string]any](t, s, "/api/v1/coating?"+query))
		check.check(query, schema, getJSON[map[string]any](t, s, "/api/v1/coating?"+query+anyAir))
	}

	out := getJSON[coating.Day](t, s, "/api/v1/coating?station=lake-02"+anyAir)
	in := getJSON[coating.Day](t, s, "/api/v1/coating?station=lake-02&sensor=inside"+anyAir)
	require.Equal(t, "outside", out.Sensor)
	require.False(t, out.Now.Measured)
	require.True(t, in.Now.Measured, "its board has a thermometer")
	require.NotEqual(t, out.Temp, in.Temp)
	require.Len(t, out.Ahead, 37, "six weeks are known")
	some := false
	for _, h := range out.Ahead {
		require.LessOrEqual(t, h.Stays, h.Good)
		some = some || h.Good > 0.2
	}
	require.True(t, some)
	cold := getJSON[coating.Day](t, s, "/api/v1/coating?station=lake-02")
	require.False(t, cold.Now.Good, "a morning of October: %+v", cold.Now)

	w := s.get(t, "/coating?station=lake-02"+anyAir)
	require.Equal(t, http.StatusOK, w.Code)
	for _, text := range []string{out.Says, "Hour by hour", "By the outside sensor of Lake 02", `<option value="lake-02" selected>`, `name="cure_h" type="text" value="2"`, "The coating maker&#39;s sheet decides"} {
		require.Contains(t, w.Body.String(), text)
	}
}

func TestCoatingAsMeasured(t *testing.T) {
	s := sharedSite(t)
	good := getJSON[coating.Day](t, s, "/api/v1/coating?temp_c=21&rh_pct=48")
	require.True(t, good.Now.Good)
	require.Empty(t, good.Ahead)
	bad := getJSON[coating.Day](t, s, "/api/v1/coating?temp_c=21&rh_pct=48&board_temp_c=11")
	require.Equal(t, coating.NearDewPoint, bad.Now.Reasons[0].What)
	require.Equal(t, coating.TooCold, bad.Now.Reasons[1].What)
	page := s.get(t, "/coating?temp_c=21&rh_pct=48&board_temp_c=11").Body.String()
	require.Contains(t, page, "Not now: the surface is 1.4 K above the dew point, and 3 K are wanted.")
	require.Contains(t, page, "Also: the air or the board has 11.0 °C")
	require.NotContains(t, page, "Hour by hour")
	page = s.get(t, "/coating").Body.String()
	require.Contains(t, page, "May a board be coated now?")
	require.NotContains(t, page, `role="alert"`)
}

func TestCoatingThatCannotBeTold(t *testing.T) {
	s := sharedSite(t)
	for query, want := range map[string]string{
		"":                              "give a station whose sensor tells the air, or temp_c and rh_pct",
		"station=lake-15":               "its outside sensor was last heard at",
		"station=quay-20&sensor=inside": "told no temperature and humidity lately",
		"station=lake-12":               "told no temperature and humidity lately",
		"station=nosuch":                "take an id from /api/v1/stations",
		"station=lake-02&temp_c=20":     "not both",
		"temp_c=20":                     "rh_pct",
		"temp_c=warm&rh_pct=50":         "write a number",
		"temp_c=20&rh_pct=500":          "write more than 0 and at most 100 %",
		"station=lake-02&cure_h=100":    "cure_h",
		"station=lake-02&cure_h=-2":     "cure_h",
		"station=lake-02&rh_max_pct=0":  "write more than 0",
		"station=lake-02&sensor=roof":   "outside, inside",
		"station=lake-02&margin=3":      "margin",
	} {
		w := s.get(t, "/api/v1/coating?"+query)
		page := s.get(t, "/coating?"+query)
		if query == "" {
			require.Equal(t, http.StatusOK, page.Code, query)
		} else {
			require.Equal(t, w.Code, page.Code, query)
			require.Contains(t, page.Body.String(), `role="alert"`, query)
		}
		require.Contains(t, []int{http.StatusBadRequest, http.StatusNotFound}, w.Code, query)
		require.Contains(t, w.Body.String(), want, query)
	}
}
