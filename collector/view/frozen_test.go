package view

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

func TestFrozenHoursAreTold(t *testing.T) {
	f := newFake()
	f.stations = []record.Station{{ID: "lake-07", Enrolled: 1}}
	f.frozen = unit.Instant(7)
	v := viewAt(f, unit.Instant(9))
	b, err := v.Beside(t.Context(), "lake-07")
	require.NoError(t, err)
	require.Equal(t, unit.Instant(7), b.Frozen)
	require.Nil(t, b.Standing, "nobody followed its box")
}
