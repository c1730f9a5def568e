package web_test

import (
	"net/http"
	"net/http/httptest"
	"testing"
	"time"
	"os"
	"io"
)

func TestPreview(t *testing.T) {
	start := time.Now()
	s := newSite(t, manyBoxes())
	t.Log("built", time.Since(start))
	for _, p := range []string{"/", "/stations/lake-07", "/stations/lake-12", "/stations/lake-07/series", "/api/v1/stations/lake-07/hours?limit=2", "/api/v1/stations"} {
		for range 3 {
			start = time.Now()
			w := httptest.NewRecorder()
			s.handler.ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1"+p, nil))
			t.Log(p, w.Code, w.Body.Len(), time.Since(start))
			if w.Code != 200 { t.Log(w.Body.String()) }
		}
	}
	if os.Getenv("SERVE") != "" {
		ts := httptest.NewServer(s.handler)
		os.WriteFile("/tmp/f-url", []byte(ts.URL), 0o644)
		io.ReadAll(os.Stdin)
		for { if _, err := os.Stat("/tmp/f-stop"); err == nil { break }; time.Sleep(time.Second) }
		ts.Close()
	}
	_ = http.StatusOK
}
