package books_test

import (
	"bytes"
	"context"
	"errors"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
)

// Whatever a person or a program sends is written down, or refused with what
// is wrong; the store itself never fails of it.
func FuzzVisit(f *testing.F) {
	for _, text := range []string{
		`{"station":"a","kind":"on-site","who":"Ruth","planned":"2025-05-22","why":[{"kind":"board_wet","number":1}]}`,
		`{"visit":1,"states":[{"state":"arrived","at":"2025-05-10T08:00:00Z","note":"x","without_card":"y"},{"state":"on-bench","at":"2025-05-11"}]}`,
		`{"visit":1,"findings":[{"moisture":"water","water_ml":9,"corrosion":{"board":"trace"},"cover":"cracked"}],"parts":[{"lot":1,"quantity":1}]}`,
		`{"visit":1,"work":[{"code":"recoated","details":{"coating":"a","sides":"both","cure_hours":"1e2"}},{"code":"sensor-changed","details":{"sensor":"s","taken":"t"}},{"code":"address-set","details":{"address":"7"}},{"code":"hung"}]}`,
		`{"visit":1,"jars":[{"begin":"2025-05-12T08:00","end":"2025-05-13","inside":"w"}],"symptoms":[{"kind":"other","note":"n","reported_by":"A","since":"2025-05-01"}]}`,
		`{"visit":1,"card":{"keys":{"there":2,"good":[1],"bad":[2]},"talk_in":"good","supply_v":24.5,"closed":"2025-05-19","masked":{"microphone":"none"}}}`,
	} {
		f.Add([]byte(text))
	}
	ctx := context.Background()
	st, err := store.Open(ctx, filepath.Join(f.TempDir(), "fuzz.db"))
	require.NoError(f, err)
	f.Cleanup(func() { require.NoError(f, st.Close()) })
	secret, err := receipt.NewSecret(make([]byte, 32))
	require.NoError(f, err)
	lake := fact.Fact{Subject: subject(fact.KindSite, "lake"), Name: fact.Zone, Value: "CET", From: fact.Always, Author: "x", Recorded: visitsNow}
	hangs := fact.Fact{Subject: subject(fact.KindStation, "a"), Name: fact.Site, Value: "lake", From: fact.Always, Author: "x", Recorded: visitsNow}
	require.NoError(f, st.AddStation(ctx, record.Station{ID: "a", Secret: secret, Enrolled: visitsNow}, "x", lake, hangs))
	v := books.Visits{VisitStore: st}
	_, err = v.Record(ctx, &books.VisitFile{Station: "a", Kind: "send-in"}, visitsNow, "x", false)
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, text []byte) {
		var file books.VisitFile
		err := books.ReadJSON(bytes.NewReader(text), &file)
		if err == nil {
			_, err = v.Record(ctx, &file, visitsNow, "x", true)
		}
		var said books.Error
		if !errors.As(err, &said) {
			require.True(t, errors.Is(err, record.ErrOnlyTried) || errors.Is(err, record.ErrNotFound), "%v", err)
		}
	})
}
