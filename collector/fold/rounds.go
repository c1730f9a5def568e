package fold

import (
	"context"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// roundKey names a round.
type roundKey struct {
	run string
	seq int64
}

// rounds judges the artificial station's readings, whose answer is known: a
// minute of what it sent condenses throughout, and in half as humid air not at
// all. What is judged right goes to the outbox. Between two stations, so that a
// backlog doesn't look like a dead collector.
func (f *Folder) rounds(ctx context.Context) error {
	list, err := f.cfg.Store.Unjudged(ctx)
	if err != nil || len(list) == 0 {
		return err
	}
	list = slices.DeleteFunc(list, func(r record.Round) bool {
		wet, dry := condensing(&r, 1), condensing(&r, 0.5)
		if wet == time.Minute && dry == 0 {
			return false
		}
		if k := (roundKey{r.Run, r.Seq}); f.wrong != k { // said once; it stays, and the watch misses it
			f.wrong = k
			f.failures.Add(1)
			f.cfg.Log.Error("the rules don't say of the watch's reading what they must", "run", r.Run, "seq", r.Seq,
				"temp_c", r.TempC, "rh_pct", r.RHPct, "condenses", wet, "drier", dry)
		}
		return true
	})
	if len(list) == 0 {
		return nil
	}
	if err := f.cfg.Store.JudgeRounds(ctx, list, unit.At(f.cfg.Now())); err != nil {
		return err
	}
	if f.cfg.Sent != nil {
		f.cfg.Sent()
	}
	return nil
}

// condensing is how long a minute of a round's air condenses, with a part of its
// humidity.
func condensing(r *record.Round, part float64) time.Duration {
	var rs []reading.Reading
	for _, before := range []time.Duration{time.Minute, 0} {
		at := reading.Reading{Time: r.Sent.Add(-before)}
		at.Set(reading.InsideTemp, r.TempC)
		at.Set(reading.InsideRH, part*r.RHPct)
		rs = append(rs, at)
	}
	var sum int64
	for _, h := range exposure.Fold(rs, nil, exposure.Part{From: rs[0].Time.Floor(time.Hour)}).Hours {
		sum += h.Condensing
	}
	return time.Duration(sum)
}
