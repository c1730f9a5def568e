package books_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

var importNow = unit.At(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC))

func importStore(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func enrolFor(id string, facts []fact.Fact) (record.Station, []fact.Fact, error) {
	if id == "collector" {
		return record.Station{}, nil, errors.New("it is the collector's own name")
	}
	secret, err := receipt.NewSecret([]byte("0123456789abcdef" + id))
	var proposed []fact.Fact
	for _, f := range facts {
		if f.Name == fact.Interval {
			f.Name = fact.MaxGap
			proposed = append(proposed, f)
		}
	}
	return record.Station{ID: id, Secret: secret, Enrolled: importNow}, proposed, err
}

func read(t *testing.T, s *store.Store, im books.Import, text string) (books.Imported, error) {
	t.Helper()
	im.Name, im.Enrol = "file.csv", enrolFor
	return im.Read(t.Context(), s, strings.NewReader(text), importNow, "workshop")
}

func TestImport(t *testing.T) {
	s := importStore(t)
	done, err := read(t, s, books.Import{What: "sites"}, "\ufeffid, name ,sun\nquay,\"Brackwater\nQuay\",full\n")
	require.Zero(t, done)
	require.EqualError(t, err, "file.csv: nothing was recorded:\n  line 2, name \"Brackwater\\nQuay\": write one line of text without control characters")
	done, err = read(t, s, books.Import{What: "sites"}, "\ufeffid, name ,sun\nquay,Brackwater Quay,full\npier,,\n")
	require.NoError(t, err)
	require.Equal(t, 2, done.New)

	done, err = read(t, s, books.Import{What: "stations"}, "id,site,interval,from\nlake-07,quay,1h,2025-05-01\nlake-07,none,,2026-01-01\nlake-08,,,\n")
	require.NoError(t, err)
	require.Equal(t, []string{"lake-07", "lake-08"}, done.Enrolled)
	require.Equal(t, 3, done.New)
	facts, err := s.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "lake-07"})
	require.NoError(t, err)
	require.Len(t, facts, 4, "and what is proposed")

	// The file's last word on one instant counts.
	done, err = read(t, s, books.Import{What: "facts"}, "kind,subject,name,value,from,author,recorded\nsite,quay,sun,shade,2026-01-01,x,y\nsite,quay,sun,part,2026-01-01,x,y\nsite,quay,sun,full,always,,\n")
	require.NoError(t, err)
	require.Equal(t, books.Imported{
		Changed: 1, Same: 1, Ignored: []string{"author", "recorded"},
		Changes: []books.ImportChange{{Fact: fact.Fact{Subject: fact.Subject{Kind: "site", ID: "quay"}, Name: "sun", Value: "part", From: unit.At(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)), Author: "workshop", Recorded: importNow}, Before: "full"}},
	}, done)
	done, err = read(t, s, books.Import{What: "facts", Dry: true}, "kind,subject,name,value\n")
	require.NoError(t, err)
	require.Zero(t, done)

	done, err = read(t, s, books.Import{What: "sites", From: "2026-02-01", Dry: true}, "id,sun\nquay,shade\n")
	require.NoError(t, err)
	require.Equal(t, 1, done.Changed)
	facts, err = s.Facts(t.Context(), fact.Subject{Kind: fact.KindSite, ID: "quay"})
	require.NoError(t, err)
	require.Len(t, facts, 3, "a dry run records nothing")
}

func TestImportRefuses(t *testing.T) {
	s := importStore(t)
	_, err := read(t, s, books.Import{What: "sites"}, "id,name\nquay,Brackwater Quay\n")
	require.NoError(t, err)
	for says, c := range map[string]struct {
		im   books.Import
		text string
	}{
		`what "houses": choose facts, owners`:                            {books.Import{What: "houses"}, ""},
		`from "soon": write a date`:                                      {books.Import{What: "sites", From: "soon"}, "id\n"},
		"file.csv: it is empty: write a header":                          {books.Import{What: "sites"}, ""},
		`file.csv: parse error on line 1`:                                {books.Import{What: "sites"}, "id,\"name\n"},
		`file.csv: parse error on line 2`:                                {books.Import{What: "sites"}, "id,name\na,\"b\"c\n"},
		`column "name": it is there twice`:                               {books.Import{What: "sites"}, "id,name,name\n"},
		`column "colour": known are id, from, name, owner`:               {books.Import{What: "sites"}, "id,colour\n"},
		`line 2, from "soon": write a date`:                              {books.Import{What: "sites"}, "id,from\na,soon\n"},
		`line 2: 1 cells where the header has 2`:                         {books.Import{What: "sites"}, "id,name\na\n"},
		`column "id": it is missing`:                                     {books.Import{What: "sites"}, "name\n"},
		`column "subject": it is missing`:                                {books.Import{What: "facts"}, "kind,name,value\n"},
		`line 2, name "\xff": write text in UTF-8`:                       {books.Import{What: "sites"}, "id,name\na,\xff\n"},
		`line 3, id "a": it stands in line 2 too`:                        {books.Import{What: "sites"}, "id,name\na,x\na,y\n"},
		`line 2, id "A b": use 1 to 32`:                                  {books.Import{What: "sites"}, "id,name\nA b,x\n"},
		`line 2, id "collector": it is the collector's own name`:         {books.Import{What: "stations"}, "id,name\ncollector,x\n"},
		`line 2, name "Quay": it is "Brackwater Quay" so far`:            {books.Import{What: "sites"}, "id,name\nquay,Quay\n"},
		`line 2, owner "ida": site quay: there is no such owner`:         {books.Import{What: "sites"}, "id,owner\nquay,ida\n"},
		`line 3, site "nowhere": station lake-07: there is no such site`: {books.Import{What: "stations"}, "id,site\nlake-06,quay\nlake-07,nowhere\n"},
		`line 2, name "colour": there is no such fact`:                   {books.Import{What: "facts"}, "kind,subject,name,value\nsite,quay,colour,\n"},
	} {
		done, err := read(t, s, c.im, c.text)
		require.Error(t, err, says)
		require.Contains(t, err.Error(), says)
		require.Zero(t, done)
	}
	list, err := s.Stations(t.Context())
	require.NoError(t, err)
	require.Empty(t, list)

	var many strings.Builder
	many.WriteString("id,sun\n")
	for i := range 120 {
		fmt.Fprintf(&many, "s-%d,dark\n", i)
	}
	_, err = read(t, s, books.Import{What: "sites"}, many.String())
	require.Equal(t, 52, strings.Count(err.Error(), "\n")+1)
	require.True(t, strings.HasSuffix(err.Error(), "\n  and 70 more"))
	require.NoError(t, s.Close())
	_, err = read(t, s, books.Import{What: "sites"}, "id\n")
	require.ErrorContains(t, err, "closed")
}

// An export of everything that can be imported, read by an empty store, says the
// same there.
func TestImportWithoutAKnownStation(t *testing.T) {
	s := importStore(t)
	_, err := read(t, s, books.Import{What: "facts"}, "kind,subject,name,value\nstation,lake-07,name,x\n")
	require.ErrorContains(t, err, "lake-07")
}
