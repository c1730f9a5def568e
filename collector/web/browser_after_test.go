package web_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

// reception is a network that can be cut, and that can lose an answer on the
// way.
type reception struct {
	next    http.Handler
	cut     atomic.Bool
	lose    atomic.Bool  // answers to forms are lost
	arrived atomic.Int32 // forms that reached the collector
}

func (n *reception) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if n.cut.Load() {
		panic(http.ErrAbortHandler)
	}
	if r.Method != http.MethodPost || r.URL.Path != "/api/v1/visits/1" {
		n.next.ServeHTTP(w, r)
		return
	}
	n.arrived.Add(1)
	if n.lose.Load() {
		n.next.ServeHTTP(httptest.NewRecorder(), r) // it is written down, and nobody hears of it
		panic(http.ErrAbortHandler)
	}
	n.next.ServeHTTP(w, r)
}

func (s *bookSite) visitOne() (v struct {
	State    string
	Findings []struct {
		Moisture string
		Note     string
	}
	Work []struct {
		Code    string
		Details map[string]string
	}
	Parts []struct{ Lot, Quantity int64 }
},
) {
	s.t.Helper()
	require.NoError(s.t, json.Unmarshal(s.ask(record.Look, "/api/v1/visits/1").Body.Bytes(), &v))
	return v
}

// The form at the station: opened with reception, filled in and opened again
// without, sent when reception is back, its first answer lost. It is written
// down once, and parts went once.
func TestTheFormWithoutReception(t *testing.T) {
	t.Cleanup(journey)
	s := newBookSite(t)
	net := &reception{next: s.handler}
	require.NoError(t, s.door.AddAccount(t.Context(), "Will", record.Work, workers, "Ruth"))
	s.handler = net
	b := newBrowser(t, s.site)
	b.refusals, b.losses = true, true
	b.open("/sign-in", 390, "light")
	b.fill("main button", "#name", "Will", "#password", workers)
	b.until("location.pathname === '/'")
	b.open("/visits/1/after", 390, "light")
	b.until("document.documentElement.dataset.offline === 'ready'")
	b.shot("after-390-light")
	before := s.visitOne()

	net.cut.Store(true)
	b.open("/visits/1/after", 390, "light")
	require.Contains(t, b.text("h1"), "After visit 1", "it opens without reception")
	require.Equal(t, "rgb(250, 247, 240)", eval[string](b, "getComputedStyle(document.body).backgroundColor"), "with its style")
	fillIn(b, map[string]string{
		"after-begun": "2025-10-25T09:00", "after-ended": "2025-10-25T09:40", "after-moisture": "damp", "after-note": "gasket was hard", "after-standby_found": "14.2",
		"after-other_lot": "1", "after-other_quantity": "1", "after-address-set-address": "7",
	}, "work-gasket-changed", "work-address-set", "after-last_one")
	b.open("/visits/1/after", 390, "light") // the phone restarts: what was typed is there
	require.Equal(t, "gasket was hard", eval[string](b, "document.querySelector('#after-note').value"))
	require.True(t, eval[bool](b, "document.querySelector('#work-address-set').checked"))
	fillIn(b, nil)
	b.until("document.querySelector('#after-says').textContent.includes('Kept on this device')")
	require.True(t, eval[bool](b, "document.querySelector('#after').hidden"))
	b.shot("after-kept-390-light")
	require.Zero(t, net.arrived.Load())

	net.lose.Store(true)
	net.cut.Store(false)
	b.open("/visits/1/after", 390, "light")
	b.until("document.querySelector('#after-says').textContent.includes('Kept on this device. It is sent')")
	lost := net.arrived.Load() // a browser may try again by itself
	require.NotZero(t, lost)
	net.lose.Store(false)
	b.open("/visits/1/after", 390, "light") // it comes again
	b.until("document.querySelector('#after-says').textContent.includes('Written down')")
	require.Greater(t, net.arrived.Load(), lost)
	after := s.visitOne()
	require.Len(t, after.Findings, len(before.Findings)+1)
	require.Len(t, after.Work, len(before.Work)+2)
	require.Len(t, after.Parts, len(before.Parts)+1, "parts went once")
	last := after.Findings[len(after.Findings)-1]
	require.Equal(t, "damp", last.Moisture)
	require.Equal(t, "standby current as found, mA: 14.2\ngasket was hard", last.Note)
	require.Equal(t, "7", after.Work[len(after.Work)-1].Details["address"])
	b.open("/visits/1/after", 390, "light")
	require.Empty(t, eval[string](b, "document.querySelector('#after-note').value"), "nothing of it stays on the device")
	require.Equal(t, int64(0), eval[int64](b, "Object.keys(localStorage).filter(k => JSON.parse(localStorage[k]).length).length"))
}

// What can't be written down comes back to who filled it in.
func TestTheFormFilledInWrongly(t *testing.T) {
	s := newBookSite(t)
	require.NoError(t, s.door.AddAccount(t.Context(), "Will", record.Work, workers, "Ruth"))
	b := newBrowser(t, s.site)
	b.refusals = true
	b.open("/sign-in", 390, "light")
	b.fill("main button", "#name", "Will", "#password", workers)
	b.until("location.pathname === '/'")
	b.open("/visits/1/after", 390, "light")
	before := s.visitOne()
	fillIn(b, map[string]string{"after-begun": "2025-10-25T09:00", "after-ended": "2025-10-25T09:40", "after-other_lot": "99"}, "work-dried")
	b.until("document.querySelector('#after-says').textContent.includes('parts[0].lot')")
	require.False(t, eval[bool](b, "document.querySelector('#after').hidden"))
	b.shot("after-wrong-390-light")
	require.Equal(t, before, s.visitOne(), "all of it or nothing")
	fillIn(b, map[string]string{"after-other_lot": ""})
	b.until("document.querySelector('#after-says').textContent.includes('Written down')")
	require.Len(t, s.visitOne().Work, len(before.Work)+1)
}

// fillIn types into fields by id, ticks boxes, and presses the button; the page
// has no reception, so nothing is loaded.
func fillIn(b *browser, fields map[string]string, ticks ...string) {
	b.t.Helper()
	for id, value := range fields {
		name, err := json.Marshal(id)
		require.NoError(b.t, err)
		text, err := json.Marshal(value)
		require.NoError(b.t, err)
		eval[bool](b, "(e => { e.value = "+string(text)+"; e.dispatchEvent(new Event('input', {bubbles: true})); return true })(document.getElementById("+string(name)+"))")
	}
	for _, id := range ticks {
		eval[bool](b, "(e => { e.click(); return e.checked })(document.getElementById('"+id+"'))")
	}
	if fields == nil || len(ticks) == 0 || ticks[0] != "work-gasket-changed" {
		eval[bool](b, "(document.querySelector('#after button').click(), true)")
	}
}
