package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
)

// full puts something into most tables.
func full(t *testing.T, s storage) {
	t.Helper()
	enrol(t, s, "a")
	enrol(t, s, "b")
	commit(t, s, fullArrival(), arrival("b", unkeyed(0, 10), unkeyed(1, 11)), arrival("stranger", keyed(runA, 1)))
	commit(t, s, record.Arrival{Station: "a", At: t0, Batch: reading.Batch{Refused: []reading.Refusal{early(t0.Add(time.Hour), keyed(runA, 9))}}})
	require.NoError(t, s.CommitFold(t.Context(), fullFold(marks(t, s)[0])))
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{
		{Subject: fact.Subject{Kind: fact.KindSite, ID: "lake"}, Name: fact.Name, Value: `Larkmoor Lake Park — ä'"?`, From: fact.Always, Author: "Ida", Recorded: 5},
	}))
	_, err := s.(*Store).RecordVisit(t.Context(), record.VisitEntry{
		Entry: wrote(t0), Visit: record.Visit{Station: "a", Kind: "on-site"},
		Photos: []record.VisitPhoto{{Type: "image/png", Body: make([]byte, heldMost)}, {Type: "image/png", Body: []byte{1}}},
	})
	require.NoError(t, err)
	weatherThere(t, s)
	require.NoError(t, s.AddIdentity(t.Context(), "authority", "PEM", 3, "test"))
	require.NoError(t, s.AddAccount(t.Context(), record.Account{Name: "Ida", Role: record.Run, Hash: "h", Made: 4}, false, "test"))
}

// testMove moves a store from e to every engine while somebody writes to it.
func testMove(t *testing.T, e engine) {
	for name, other := range map[string]engine{"sqlite": sqliteEngine, "postgres": postgresEngine} {
		t.Run(name, func(t *testing.T) {
			from, to := e.fresh(t), other.empty(t)
			s := e.openAt(t, from)
			full(t, s)
			others := 0
			m, err := Move(t.Context(), from, to, 77, "Ida", func(what string) {
				if others++; others != 2 {
					return
				}
				// As long as the copy is behind: rows that are new, other, and gone.
				commit(t, s, arrival("b", unkeyed(2, 12)), seqs("a", runA, 10, 11))
				require.NoError(t, s.Retire(context.Background(), "b", 6, "Ida"))
				require.NoError(t, s.AddAccount(context.Background(), record.Account{Name: "Ulf", Role: record.Run, Hash: "h", Made: 4}, false, "test"))
				require.NoError(t, s.RemoveAccount(context.Background(), "Ida", 7, "Ida"))
			})
			require.NoError(t, err)
			require.Equal(t, 3, others)
			require.Greater(t, m.Changed, int64(5))
			require.Equal(t, int64(9), m.Readings)

			_, err = s.Commit(t.Context(), []record.Arrival{seqs("a", runA, 12)})
			require.ErrorIs(t, err, ErrMoved, "who had it open is told")
			require.ErrorContains(t, err, "1970-01-01T00:00:00.000000077Z")
			_, err = Move(t.Context(), from, other.empty(t), 78, "Ida", nil)
			require.ErrorIs(t, err, ErrMoved)

			is := other.openAt(t, to)
			list, err := is.Accounts(t.Context())
			require.NoError(t, err)
			require.Len(t, list, 1)
			require.Equal(t, "Ulf", list[0].Name)
			require.Equal(t, readAll(t, s, "a"), readAll(t, is, "a"))
			require.Equal(t, everything(t, s, "b"), everything(t, is, "b"))
			observed, err := is.Weather(t.Context(), "lake", always, never)
			require.NoError(t, err)
			require.Len(t, observed, 2)
			was, err := s.Weather(t.Context(), "lake", always, never)
			require.NoError(t, err)
			require.Equal(t, was, observed)
			// It goes on where the other ended.
			require.NoError(t, is.BeginWeather(t.Context(), "lake", record.WeatherSource{Name: "harbour"}, 8, "Ida"))
			commit(t, is, seqs("a", runA, 12), seqs("a", runB, 1))
			require.NoError(t, is.AddFacts(t.Context(), []fact.Fact{
				{Subject: fact.Subject{Kind: fact.KindSite, ID: "quay"}, Name: fact.Name, Value: "Brackwater Quay", From: fact.Always, Author: "Ida", Recorded: 5},
			}))
			_, err = Move(t.Context(), to, to, 79, "Ida", nil)
			require.ErrorContains(t, err, "there is something in it already")
		})
	}
}

// A moved store is left as it is when there is something at the new place.
func TestMoveToWhatIsNotEmpty(t *testing.T) {
	from, to := rich(t), rich(t)
	_, err := Move(t.Context(), from, to, 77, "Ida", nil)
	require.ErrorContains(t, err, "there is something in it already: name a new file or an empty database")
	commit(t, sqliteEngine.openAt(t, from), seqs("a", runA, 8))
}

func init() { also("Move", testMove) }
