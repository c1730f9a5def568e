package demo

import (
	"context"
	"fmt"
	"time"

	"dewpost/collector/books"
	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

// visited writes down a visit that was made: lake-02 was drained, and the
// simulated box is dry again from then on.
func (d *demo) visited(ctx context.Context) error {
	day, who := mended.Format(time.DateOnly), workshop
	drained := int64(12)
	stamp := func(before time.Duration) string { return mended.Add(-before).Format(time.RFC3339) }
	_, err := books.Visits{VisitStore: d.col.Store()}.Record(ctx, &books.VisitFile{
		Station: "lake-02", Kind: bench.OnSite, Planned: &day, Who: &who, WhyText: "The lamp is fogged, all day long.",
		States: []books.StateFile{{State: bench.UnderWay, At: stamp(time.Hour)}, {State: bench.Done, At: stamp(0)}},
		Found:  []books.FindingFile{{At: stamp(50 * time.Minute), Moisture: "water", WaterML: &drained, Gasket: "sound", Cover: "sound", Corrosion: map[string]bench.Corrosion{"board": "trace"}, Note: "Moss in the weep hole."}},
		Work:   []books.WorkFile{{Code: bench.Dried, At: stamp(20 * time.Minute)}, {Code: bench.WeepHoleOpened, At: stamp(10 * time.Minute)}},
	}, unit.At(mended), workshop, false)
	if err != nil {
		return fmt.Errorf("write down the visit of lake-02: %w", err)
	}
	return nil
}

// plans says what came of what was found of lake-02, and plans a visit to lake-07
// on the next day but one.
func (d *demo) plans(ctx context.Context) error {
	before, err := d.col.Store().Occurrences(ctx, "lake-02")
	if err != nil {
		return err
	}
	came := &books.VisitFile{Visit: 1}
	for i := range before {
		if o := &before[i]; o.Finding.From < unit.At(mended) && !o.Lasting() && !o.Revised {
			came.Came = append(came.Came, books.OutcomeFile{
				CauseFile: books.CauseFile{Kind: o.Finding.Kind, Number: o.Number}, Outcome: bench.PutRight, Reason: "weep hole opened, box dried", At: mended.Format(time.RFC3339),
			})
		}
	}
	if _, err := (books.Visits{VisitStore: d.col.Store()}).Record(ctx, came, unit.At(end), workshop, false); err != nil {
		return fmt.Errorf("say what came of the findings of lake-02: %w", err)
	}
	occurrences, err := d.col.Store().Occurrences(ctx, "lake-07")
	if err != nil {
		return err
	}
	day, who := end.AddDate(0, 0, 2).Format(time.DateOnly), workshop
	f := &books.VisitFile{Station: "lake-07", Kind: bench.OnSite, Planned: &day, Who: &who, WhyText: "Drain it, and change the cover for the one that is reserved."}
	for i := range occurrences {
		if o := &occurrences[i]; o.Lasting() {
			f.Why = append(f.Why, books.CauseFile{Kind: o.Finding.Kind, Number: o.Number})
		}
	}
	if _, err := (books.Visits{VisitStore: d.col.Store()}).Record(ctx, f, unit.At(end), workshop, false); err != nil {
		return fmt.Errorf("plan the visit of lake-07: %w", err)
	}
	return nil
}
