package collector_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/metrics"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/collector/web"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// Values that break what is not made for them. Each goes into every field.
var hostileValues = []string{
	"NaN", "Inf", "+Inf", "-Inf", "-0", "-0.0", "5e-324", "-5e-324", "1e-310", "1e308", "-1e308", "1e309", "1e400", "1e-400",
	"9223372036854775807i", "-9223372036854775808i", "9223372036854775808i", "18446744073709551615u", "5u", "-5u", "1.0i",
	"-5", "-6", "-6.01", "100.01", "116", "119", "119.01", "600", "94.99", "-60", "2000", "1e6",
	"0x1p3", "0x10i", "1_000", "t", "false", `"5"`, "\"a\nb\"", "\"a\x00b\"", "\"a\xffb\"", `"`, "", "+5", "5.5.5", "5 5", "٥",
}

// Whatever stands in a line, its neighbours are stored, it is counted once,
// and neither the ledger, nor a page, nor the API holds what is no number.
func TestTorturedValuesEndToEnd(t *testing.T) {
	ctx := t.Context()
	now := unit.At(time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC))
	s, err := store.Open(ctx, blank.Store(t))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	secret, err := receipt.NewSecret(make([]byte, 32))
	require.NoError(t, err)
	require.NoError(t, s.AddStation(ctx, record.Station{ID: "a", Secret: secret, Enrolled: 1}, "test"))

	fields := append(reading.ChannelNames(), "seq", "oldest", "flags", "time", "run", "station", "what", "both")
	received, sent := 0, 0
	at := now.Add(-36 * time.Hour)
	for i, field := range fields {
		run := fmt.Sprintf("%016x", i+1)
		for j, value := range hostileValues {
			good := func(n int64) string {
				return fmt.Sprintf("reading,station=a,run=%s seq=%di,inside_temp_c=8,inside_rh_pct=99.5,board_temp_c=7 %d\n", run, 3*int64(j)+n, at.Add(time.Duration(n)*time.Minute))
			}
			payload := good(1) + strings.TrimSuffix(bent(good(2), field, value), "\n") + "\n" + good(3)
			b := reading.Decode("a", []byte(payload), now)
			_, err := s.Commit(ctx, []record.Arrival{{Station: "a", At: now, Batch: b}})
			require.NoError(t, err, "%s=%q", field, value)
			received += len(b.Readings) + len(b.Refused)
			sent += 2
			at = at.Add(2 * time.Minute)
		}
	}
	require.Less(t, at, now, "control: all lie before now")
	checkBalance(t, s, int64(received))

	f := fold.New(fold.Config{Store: s, Now: now.Time, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, f.All(ctx))
	checkLedger(t, s)
	stored, err := s.Readings(ctx, "a", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	neighbours := 0
	for i := range stored {
		if rh, _ := stored[i].Get(reading.InsideRH); rh == 99.5 {
			neighbours++
		}
	}
	require.GreaterOrEqual(t, neighbours, sent, "no neighbour is lost")

	pages, err := web.New(web.Config{
		View: view.New(s, now.Time), Ready: func(context.Context) error { return nil }, Everybody: record.Look,
		Metrics: metrics.Handler(s, nil),
	})
	require.NoError(t, err)
	for _, path := range []string{
		"/api/v1/stations", "/api/v1/stations/a", "/api/v1/stations/a/readings?limit=10000", "/api/v1/stations/a/hours?limit=10000",
		"/api/v1/stations/a/findings", "/api/v1/alarms", "/api/v1/quarantine?limit=10000", "/stations/a/series?points=5000",
		"/", "/stations/a", "/readings-kept", "/metrics",
	} {
		checkAnswer(t, pages, path)
	}
}

// bent puts a value into a field of a good line.
func bent(line, field, value string) string {
	tags, rest, _ := strings.Cut(line, " ")
	fields, stamp, _ := strings.Cut(rest, " ")
	switch field {
	case "seq":
		fields = "seq=" + value + fields[strings.Index(fields, ","):]
	case "time":
		stamp = value + "\n"
	case "run":
		tags = "reading,station=a,run=" + value
	case "station":
		tags = strings.Replace(tags, "station=a", "station="+value, 1)
	case "both": // temperature and RH, of which the hours are made
		fields = regexp.MustCompile(`=(8|99\.5|7)(,|$)`).ReplaceAllLiteralString(fields, "="+value+",") + "x=1"
	default:
		if at := strings.Index(fields, field+"="); at >= 0 {
			end := strings.IndexByte(fields[at:]+",", ',')
			fields = fields[:at] + field + "=" + value + (fields + ",")[at+end:]
			fields = strings.TrimSuffix(fields, ",")
		} else {
			fields += "," + field + "=" + value
		}
	}
	return tags + " " + fields + " " + stamp
}

func checkBalance(t *testing.T, s *store.Store, received int64) {
	t.Helper()
	c, err := s.Counts(t.Context())
	require.NoError(t, err)
	refused := int64(0)
	for _, n := range c.Refused {
		refused += n
	}
	require.Equal(t, received, c.Received)
	require.Equal(t, c.Received+c.Released, c.Stored+c.Repeated+refused)
	for _, n := range c.RefusedValues {
		require.Positive(t, n)
	}
	list, err := s.Custody(t.Context())
	require.NoError(t, err)
	for i := range list {
		require.Zero(t, list[i].Missing())
	}
}

func checkLedger(t *testing.T, s *store.Store) {
	t.Helper()
	hours, err := s.Hours(t.Context(), "a", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	require.Greater(t, len(hours), 20)
	known := int64(0)
	for i := range hours {
		h := &hours[i]
		known += h.Known
		for _, n := range []int64{h.Known, h.Unknown, h.Condensing, h.AtRisk, h.Tow, h.Frost, h.Thaw, h.CoverWet, h.Dose} {
			require.GreaterOrEqual(t, n, int64(0), h.Start)
		}
		for _, n := range []int64{h.Condensing, h.CondensingLow, h.CondensingHigh, h.AtRisk, h.Tow, h.Frost} {
			require.LessOrEqual(t, n, int64(time.Hour), h.Start)
		}
		for _, x := range []float64{h.InsideTempMean, h.InsideRHMean, h.MarginMin} {
			require.False(t, math.IsInf(x, 0), h.Start) // NaN is a figure without data
		}
	}
	require.Positive(t, known)
}

var noJSONNumber = regexp.MustCompile(`(?i)[:\[,>\s"=](nan|[-+]?inf(inity)?)[,\]}<\s"]`)

func checkAnswer(t *testing.T, pages http.Handler, path string) {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
	w := httptest.NewRecorder()
	pages.ServeHTTP(w, r)
	require.Equal(t, http.StatusOK, w.Code, "%s: %s", path, w.Body)
	body := w.Body.Bytes()
	if w.Header().Get("Content-Type") == "application/json" {
		d := json.NewDecoder(bytes.NewReader(body))
		d.UseNumber()
		for {
			token, err := d.Token()
			if err == io.EOF {
				break
			}
			require.NoError(t, err, path)
			if n, ok := token.(json.Number); ok {
				x, err := n.Float64()
				require.NoError(t, err, "%s %s", path, n)
				require.False(t, math.IsInf(x, 0) || math.IsNaN(x), path)
			}
		}
		return
	}
	// Pages cite lines as they were sent, in their place.
	text := regexp.MustCompile(`(?s)<(code|p class="small")>.*?</(code|p)>`).ReplaceAll(body, nil)
	if path == "/metrics" {
		text = regexp.MustCompile(`(?m)^.*le="\+Inf".*$|^go_.*$`).ReplaceAll(body, nil)
	}
	require.NotRegexp(t, noJSONNumber, string(text), path)
}
