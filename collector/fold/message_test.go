package fold

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
)

// untouched is a store that must not be written to.
type untouched struct {
	Store
	t *testing.T
}

func (u untouched) CommitFold(context.Context, record.Folded) error {
	u.t.Error("committed without its message")
	return nil
}

// A finding that can't be told, because its evidence is no number that JSON
// can say, is not recorded as told.
func TestNothingIsCommittedWithoutItsMessage(t *testing.T) {
	f := New(Config{Store: untouched{t: t}, Now: time.Now})
	err := f.commit(t.Context(), record.Folded{}, []alarm.Occurrence{{
		Station: "lake-07", Number: 1, Finding: finding.Finding{Kind: finding.BoardWet, Evidence: []finding.Evidence{{Name: "x", Value: math.NaN()}}},
	}})
	require.ErrorContains(t, err, "write the message of lake-07:board_wet:1")
}
