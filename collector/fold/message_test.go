package fold

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// untouched is a store that must not be written to.
type untouched struct {
	Store
	t *testing.T
}

func (u untouched) ChangeAlarms(context.Context, record.AlarmChange) error {
	u.t.Error("committed without its message")
	return nil
}

func (u untouched) OpenOccurrences(context.Context) ([]alarm.Occurrence, error) {
	return []alarm.Occurrence{{
		Station: "lake-07", Number: 1, State: alarm.Unacknowledged, Steps: 1,
		Finding: finding.Finding{Kind: finding.CoverDue, From: 1, Concluded: 1, Evidence: []finding.Evidence{{Name: "x", Value: math.NaN()}}},
	}}, nil
}

func (u untouched) AlarmCauses(context.Context) ([]alarm.Cause, int64, error) { return nil, 1, nil }

func (u untouched) MessagesIn(context.Context, unit.Instant, unit.Instant) ([]record.Message, error) {
	return nil, nil
}

func (u untouched) FactsOf(context.Context, string) ([]fact.Fact, error) { return nil, nil }

// A finding that can't be told, because its evidence is no number that JSON
// can say, is not recorded as told.
func TestNothingIsCommittedWithoutItsMessage(t *testing.T) {
	f := New(Config{Store: untouched{t: t}, Now: time.Now})
	err := f.tell(t.Context(), []record.Station{{ID: "lake-07"}}, nil, unit.At(time.Now()), attention{})
	require.ErrorContains(t, err, "write the message lake-07:cover_due:1")
}
