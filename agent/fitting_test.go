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

// TestFittingGuideTops takes what the guide puts in front of the first station: a
// station's settings are without a problem with it.
func TestFittingGuideTops(t *testing.T) {
	guide, err := os.ReadFile("../deploy/FITTING.md")
	require.NoError(t, err)
	tops := regexp.MustCompile("(?m)^ +```\n((?: +[^`\n]+\n)+) +```$").FindAllSubmatch(guide, -1)
	require.Len(t, tops, 2)
	with := func(text string, top []byte) Config {
		c, err := Load(write(t, strings.Replace(text, "[[station]]", string(top)+"[[station]]", 1)))
		require.NoError(t, err)
		return c
	}
	c := with(good, tops[0][1])
	require.Equal(t, Duration(time.Hour), c.Recovery.InterfaceAfter)
	require.Equal(t, []string{"/usr/bin/networkctl", "reconfigure", "wlan0"}, c.Recovery.InterfaceCommand)
	require.Equal(t, []string{"/usr/bin/systemctl", "reboot"}, c.Recovery.RebootCommand)
	require.Empty(t, c.Check())
	c = with(strings.Replace(good, "broker = \"mqtt://127.0.0.1\"\n", "", 1), tops[1][1])
	require.Equal(t, "/var/lib/dewpost-agent/carry", c.Logger.Dir)
	require.Equal(t, Duration(time.Second), c.ClockWait)
	for _, p := range c.Check() { // of which this machine has no folder
		require.Contains(t, p.Key, "logger.dir")
	}
}

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
