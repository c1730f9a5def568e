package alarm_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
)

var letters = map[string]alarm.State{
	"A": alarm.Normal, "B": alarm.Unacknowledged, "C": alarm.Acknowledged, "D": alarm.Returned, "E": alarm.Latched,
	"F": alarm.LatchedSeen, "G": alarm.Shelved, "H": alarm.Suppressed, "I": alarm.OutOfService,
}

var steps = []alarm.Step{alarm.Raise, alarm.Clear, alarm.See, alarm.Reset, alarm.Shelve, alarm.Suppress, alarm.TakeOut, alarm.Release}

// Every transition of the published table is there, and no other.
func TestTransitions_ISA18_2(t *testing.T) {
	text, err := os.ReadFile("testdata/ISA18_2_transitions.csv")
	require.NoError(t, err)
	want := map[string]alarm.State{}
	for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "from,") {
			continue
		}
		c := strings.Split(line, ",")
		require.Len(t, c, 5, line)
		for _, from := range strings.Fields(c[0]) {
			for _, latches := range both(c[2]) {
				for _, lasting := range both(c[3]) {
					want[key(letters[from], alarm.Step(c[1]), latches, lasting)] = letters[c[4]]
				}
			}
		}
	}
	tried := 0
	for _, from := range letters {
		for _, step := range steps {
			for _, latches := range []bool{false, true} {
				for _, lasting := range []bool{false, true} {
					to, ok := alarm.Next(from, step, latches, lasting)
					expect, there := want[key(from, step, latches, lasting)]
					require.Equal(t, there, ok, "%s %s latches %t lasting %t", from, step, latches, lasting)
					if there {
						require.Equal(t, expect, to, "%s %s latches %t lasting %t", from, step, latches, lasting)
						tried++
					}
				}
			}
		}
	}
	require.Equal(t, len(want), tried)
	_, ok := alarm.Next(alarm.Normal, "jump", false, false)
	require.False(t, ok)
}

func both(cell string) []bool {
	switch cell {
	case "yes":
		return []bool{true}
	case "no":
		return []bool{false}
	}
	return []bool{false, true}
}

func key(from alarm.State, step alarm.Step, latches, lasting bool) string {
	word := map[bool]string{false: "-", true: "+"}
	return string(from) + " " + string(step) + word[latches] + word[lasting]
}
