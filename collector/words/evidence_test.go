package words

import (
	"go/ast"
	"go/token"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/testdata/source"
)

func TestEveryEvidenceHasItsName(t *testing.T) {
	used := map[string]bool{}
	for _, f := range source.Parse(t, "rules/finding", "rules/current", "rules/life", "rules/sensing", "rules/breathing", "collector/fold") {
		ast.Inspect(f, func(n ast.Node) bool {
			key, value := (*ast.Ident)(nil), ast.Expr(nil)
			switch n := n.(type) {
			case *ast.KeyValueExpr: // Name: "…"
				key, _ = n.Key.(*ast.Ident)
				value = n.Value
			case *ast.CallExpr: // hours("…", …)
				key, _ = n.Fun.(*ast.Ident)
				if len(n.Args) > 0 {
					value = n.Args[0]
				}
			}
			text, isText := value.(*ast.BasicLit)
			if key == nil || !isText || key.Name != "Name" && key.Name != "hours" || text.Kind != token.STRING {
				return true
			}
			name, err := strconv.Unquote(text.Value)
			require.NoError(t, err)
			require.Contains(t, evidenceNames, name)
			used[name] = true
			return true
		})
	}
	require.Len(t, used, len(evidenceNames), "no names for evidence that nothing has")
}

func TestEveryCauseHasItsName(t *testing.T) {
	require.Len(t, causeNames, len(sensing.Causes))
	for _, cause := range sensing.Causes {
		require.Contains(t, causeNames, cause)
	}
	require.Equal(t, "humidity, air inside: stands still; moved only by", English.Evidence(sensing.EvidenceName(sensing.Stuck, reading.InsideRH)))
	require.Equal(t, "temperature, board: left the others by night, by", English.Evidence(sensing.EvidenceName(sensing.Disagrees, reading.BoardTemp)))
	require.Equal(t, "stuck nowhere", English.Evidence("stuck_nowhere"))
}

// Whether it is water or the sensor is told in words, and what still decides.
func TestWaterOrSensorIsTold(t *testing.T) {
	text, ok := English.Decided(&finding.Evidence{Name: "water_or_sensor", Value: 1})
	require.True(t, ok)
	require.Contains(t, text, "not decided yet: a heater test")
	text, ok = English.Decided(&finding.Evidence{Name: "water_or_sensor"})
	require.True(t, ok)
	require.Contains(t, text, "water: ")
	_, ok = English.Decided(&finding.Evidence{Name: "lowest_rh", Value: 1})
	require.False(t, ok)
}

// A range stands behind its figure; an end that has no other stands by itself.
func TestEvidenceLines(t *testing.T) {
	list := []finding.Evidence{
		{Name: "life_used", Value: 81.5, Unit: "%"},
		{Name: "life_used_low", Value: 60, Unit: "%"},
		{Name: "life_used_high", Value: 123.456, Unit: "%"},
		{Name: "breathing_time", Value: 2.5, Unit: "h"},
		{Name: "breathing_time_high", Value: 3.1, Unit: "h"},
		{Name: "water_or_sensor", Value: 1},
		{Name: "rain_spells", Value: 2},
	}
	require.Equal(t, []string{
		"used of the board’s budget when concluded: 81.5 (60 to 123) %", "it breathes in: 2.5 h", "… at most, nineteen times in twenty: 3.1 h",
		"whether it may be the sensor: not decided yet: a heater test, a warm day or a look decides", "spells of rain since it opened, and in the days before: 2",
	}, English.EvidenceLines(list))
	german, _ := In("de")
	require.Equal(t, "es atmet in: 2,5 h", german.EvidenceLines(list[3:4])[0])
	require.Empty(t, English.EvidenceLines(nil))
}
