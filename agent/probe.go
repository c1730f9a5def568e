package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"text/tabwriter"
	"time"

	"dewpost/agent/sensor/replay"
	"dewpost/rules/reading"
)

// pulled adapts a pull iterator to a player.
func pulled(next func() (reading.Reading, bool)) func() (reading.Reading, error) {
	return func() (reading.Reading, error) {
		r, ok := next()
		if !ok {
			return r, io.EOF
		}
		return r, nil
	}
}

// errProbe is returned when a sensor did not give what it should.
var errProbe = errors.New("not every channel gave a value within its range")

// probeTimeout is how long one sensor may take.
const probeTimeout = 10 * time.Second

// Probe reads each configured sensor once, and the first row of each replay,
// and writes a table of what they gave. It returns an error when a channel
// gave nothing or a value out of range.
func (a *Agent) Probe(ctx context.Context, w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "station\tsensor\tchannel\tvalue\tunit\trange\tverdict") //nolint:errcheck // Flush returns it
	good := true
	for i := range a.plan.stations {
		st := &a.plan.stations[i]
		ok, err := a.probeStation(ctx, t, st)
		if err != nil {
			return fmt.Errorf("station %s: %w", st.ID, err)
		}
		good = good && ok
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("write the table: %w", err)
	}
	if !good {
		return errProbe
	}
	return nil
}

func (a *Agent) probeStation(ctx context.Context, w io.Writer, st *plannedStation) (good bool, err error) {
	if st.Replay != nil {
		f, err := replay.Open(st.Replay.File, st.Replay.Map)
		if err != nil {
			return false, err
		}
		r, err := f.Next()
		if errors.Is(err, io.EOF) {
			err = errors.New("the file has no row")
		}
		return probeRow(w, st.ID, "replay", f.Channels(), r, err), f.Close()
	}
	good = true
	for _, sc := range st.Sensors {
		sensor, problem := newSensor(sc, a.clock.Now)
		if problem != nil {
			return false, *problem
		}
		var r reading.Reading
		ctx, cancel := context.WithTimeout(ctx, probeTimeout)
		err := sensor.Sense(ctx, &r)
		cancel()
		good = probeRow(w, st.ID, sc.Driver, sensor.Channels(), r, err) && good
	}
	return good, nil
}

// probeRow writes a line per channel, and says whether all are well.
func probeRow(w io.Writer, station, sensor string, cs []reading.Channel, r reading.Reading, err error) bool {
	good := true
	for _, c := range cs {
		value, verdict := "-", "no value"
		if err != nil {
			verdict = err.Error()
		}
		v, ok := r.Get(c)
		if ok {
			value, verdict = strconv.FormatFloat(v, 'f', c.Places(), 64), "ok"
			if !reading.InRange(c, v) {
				verdict, ok = "out of range", false
			}
		}
		good = good && ok
		lo, hi := c.Range()
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%v to %v\t%s\n", station, sensor, c.Name(), value, c.Unit(), lo, hi, verdict) //nolint:errcheck // Flush returns it
	}
	return good
}
