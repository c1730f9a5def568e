package web_test

import (
	"net/http/httptest"
	"testing"
)

// BenchmarkToday is the morning look of 24 stations with 30 nights each, from
// the real store.
func BenchmarkToday(b *testing.B) {
	s := newSite(b, manyBoxes())
	for b.Loop() {
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1/", nil))
		if w.Code != 200 {
			b.Fatal(w.Body.String())
		}
	}
}
