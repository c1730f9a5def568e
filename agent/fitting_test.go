package agent

import (
	"os"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/sensor/i2cbus"
	"dewpost/rules/reading"
)

// TestFittingGuide takes the guide's settings as they stand there: they are
// without a problem, and make of a converter's volts what the guide says.
func TestFittingGuide(t *testing.T) {
	guide, err := os.ReadFile("../deploy/FITTING.md")
	require.NoError(t, err)
	var tables strings.Builder
	for _, block := range regexp.MustCompile("(?s)```toml\n(.*?)```").FindAllSubmatch(guide, -1) {
		tables.Write(block[1])
	}
	c := sensorConfig(t, tables.String())
	require.Empty(t, c.Check())
	synctest.Test(t, func(t *testing.T) {
		hw := newHardware(time.Now)
		hw.buses = i2cbus.With(func(int) (i2cbus.Conn, error) { return chips{0x48: converter()}, nil }) // 2.048 V everywhere
		s, problem := newSensor(plan(c, nil, nil).stations[0].Sensors[0], hw)
		require.Nil(t, problem)
		var r reading.Reading
		require.NoError(t, s.Sense(t.Context(), &r))
		comb, _ := r.Get(reading.Comb)
		line, _ := r.Get(reading.LineCurrent)
		require.InDelta(t, 2.048/(3.3-2.048)/100_000*1e6, comb, 1e-3, "µS, in series with 100 kΩ at 3.3 V")
		require.InDelta(t, (2.048-1.65)/0.020/2, line, 1e-3, "mA, by 20 mV each, twice")
	})
}
