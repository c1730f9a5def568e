package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/finding"
)

func TestWordsOfChanges(t *testing.T) {
	require.Empty(t, sinceYesterday(words.English, &view.Changes{Compared: 4}), "nothing condensed, nothing is said")

	row := func(name string) view.Fresh {
		r := &view.Row{Needs: make([]view.Need, 1)}
		r.Station.Name = name
		r.Needs[0].Finding.Kind = finding.Silent
		return view.Fresh{Row: r, Need: &r.Needs[0]}
	}
	h := int64(time.Hour)
	c := view.Changes{
		Compared: 14,
		Last:     view.NightTotals{Dewy: 1, Condensing: 2 * h, Low: h, High: 5 * h},
		Before:   view.NightTotals{},
		New:      []view.Fresh{row("Pier"), row("Gate"), row("Lodge"), row("Weir"), row("Mill")},
		Dry:      []view.Dried{{Row: row("Boathouse").Row, Wet: 4}},
	}
	told := sinceYesterday(words.English, &c)
	require.Len(t, told, 3)
	require.Contains(t, told[0], "Pier (")
	require.Contains(t, told[0], "Lodge (")
	require.NotContains(t, told[0], "Weir")
	require.Contains(t, told[0], " and 2 more.")
	require.Equal(t, "Condensing last night: one box, in all 2.0"+space+"h, 1.0 to 5.0; the night before: none. Counted where both nights are known, at 14.", told[1])
	require.Equal(t, "First dry night after nights with condensation: Boathouse after four.", told[2])
	c = view.Changes{Compared: 20, Last: view.NightTotals{Dewy: 12, Condensing: 30 * h, Low: 20 * h, High: 41 * h}, Before: view.NightTotals{Dewy: 2, Condensing: 3 * h, Low: h, High: 4 * h}}
	require.Contains(t, sinceYesterday(words.English, &c)[0], " boxes, in all 30.0"+space+"h, 20.0 to 41.0; the night before: two boxes, in all 3.0"+space+"h, 1.0 to 4.0.")
}
