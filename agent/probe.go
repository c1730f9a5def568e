package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"dewpost/agent/sensor/replay"
	"dewpost/rules/reading"
)

// errProbe is returned when a sensor did not give what it should.
var errProbe = errors.New("not every channel gave a value within its range")

// probeTimeout is how long one sensor may take.
const probeTimeout = 10 * time.Second

// Probe reads each configured sensor once, and the first row of each replay,
// and writes a table of what they gave. It returns an error when a channel
// gave nothing or a value out of range.
func (a *Agent) Probe(ctx context.Context, w io.Writer) error {
	table := [][]string{{"station", "sensor", "channel", "value", "unit", "range", "verdict"}}
	good := true
	for i := range a.plan.stations {
		st := &a.plan.stations[i]
		rows, ok, err := a.probeStation(ctx, st)
		if err != nil {
			return fmt.Errorf("station %s: %w", st.ID, err)
		}
		table = append(table, rows...)
		good = good && ok
	}
	if err := writeTable(w, table); err != nil {
		return fmt.Errorf("write the table: %w", err)
	}
	if !good {
		return errProbe
	}
	return nil
}

func writeTable(w io.Writer, table [][]string) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, row := range table {
		if _, err := fmt.Fprintln(t, strings.Join(row, "\t")); err != nil {
			return err
		}
	}
	return t.Flush()
}

func (a *Agent) probeStation(ctx context.Context, st *plannedStation) (rows [][]string, good bool, err error) {
	if st.Replay != nil {
		f, err := replay.Open(st.Replay.File, st.Replay.Map)
		if err != nil {
			return nil, false, err
		}
		r, err := f.Next()
		if errors.Is(err, io.EOF) {
			err = errors.New("the file has no row")
		}
		rows, good = probeRows(st.ID, "replay", f.Channels(), r, err)
		return rows, good, f.Close()
	}
	good = true
	for _, sc := range st.Sensors {
		sensor, problem := newSensor(sc, a.hw)
		if problem != nil {
			return nil, false, *problem
		}
		var r reading.Reading
		ctx, cancel := context.WithTimeout(ctx, probeTimeout)
		err := sensor.Sense(ctx, &r)
		cancel()
		more, ok := probeRows(st.ID, sc.Driver, sensor.Channels(), r, err)
		rows, good = append(rows, more...), good && ok
	}
	return rows, good, nil
}

// probeRows makes a row per channel, and says whether all are well.
func probeRows(station, sensor string, cs []reading.Channel, r reading.Reading, err error) (rows [][]string, good bool) {
	good = true
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
		rows = append(rows, []string{station, sensor, c.Name(), value, c.Unit(), fmt.Sprintf("%v to %v", lo, hi), verdict})
	}
	return rows, good
}
