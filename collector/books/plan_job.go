package books

import (
	"context"
	"slices"
	"strconv"
	"sync"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

// planJob is the one plan that is being made, and the last one that was.
type planJob struct {
	running  bool
	closed   bool
	stop     context.CancelFunc
	done     sync.WaitGroup
	ended    chan struct{} // closed when it is made; nil: none was begun
	step, of int
	cost     float64
	asked    RoundAsked
	plan     *RoundPlan
	err      error
}

// PlanState says how far the making of a plan is.
type PlanState struct {
	Running bool       `json:"running"`
	Step    int        `json:"step"`
	Of      int        `json:"of"`
	CostH   float64    `json:"cost_h"` // of the best so far
	Plan    *RoundPlan `json:"plan"`   // the last that was made; null: none yet
	Err     error      `json:"-"`      // why the last could not be made
}

// Start begins to make a plan; false: one is being made already. Close waits for
// it.
func (p *Planner) Start(asked RoundAsked, now unit.Instant) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	j := &p.job
	if j.running || j.closed {
		return false
	}
	ctx, stop := context.WithCancel(context.Background())
	j.running, j.stop, j.asked, j.step, j.of, j.cost, j.err = true, stop, asked, 0, 0, 0, nil
	ended := make(chan struct{})
	j.ended = ended
	j.done.Go(func() {
		defer close(ended)
		defer stop()
		plan, err := p.Round(ctx, asked, now, func(step, of int, cost float64) {
			p.mu.Lock()
			defer p.mu.Unlock()
			j.step, j.of, j.cost = step, of, cost
		})
		p.mu.Lock()
		defer p.mu.Unlock()
		j.running, j.err = false, err
		if err == nil {
			j.plan = plan
		}
	})
	return true
}

// Stop ends the making of a plan with the best so far.
func (p *Planner) Stop() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.job.running {
		p.job.stop()
	}
}

// Wait returns when no plan is being made, or when ctx ends.
func (p *Planner) Wait(ctx context.Context) {
	p.mu.Lock()
	ended := p.job.ended
	p.mu.Unlock()
	if ended == nil {
		return
	}
	select {
	case <-ended:
	case <-ctx.Done():
	}
}

// Close stops what is being made and waits for it; nothing begins afterwards.
func (p *Planner) Close() {
	p.mu.Lock()
	p.job.closed = true
	p.mu.Unlock()
	p.Stop()
	p.job.done.Wait()
}

// State says how far the making of a plan is.
func (p *Planner) State() PlanState {
	p.mu.Lock()
	defer p.mu.Unlock()
	j := &p.job
	return PlanState{Running: j.running, Step: j.step, Of: j.of, CostH: j.cost, Plan: j.plan, Err: j.err}
}

// Take writes the stops of a plan down as visits that are planned, and returns
// their numbers: one that is open already gets the day, unless it was agreed. Each
// visit is written whole; taking the same plan over again changes nothing.
func (p *Planner) Take(ctx context.Context, plan *RoundPlan, now unit.Instant, author string) (visits []int64, err error) {
	r, err := p.read(ctx, now)
	if err != nil {
		return nil, err
	}
	causes := make(map[string][]CauseFile)
	list, err := p.needs(ctx, r, now)
	if err != nil {
		return nil, err
	}
	for i := range list {
		causes[list[i].Station] = list[i].causes
	}
	for _, d := range plan.Days {
		for i := range d.Visits {
			v := &d.Visits[i]
			if v.Station == "" {
				continue
			}
			number, err := p.takeOne(ctx, d.Day, d.Who, v, causes[v.Station], now, author)
			if err != nil {
				return visits, err
			}
			visits = append(visits, number)
		}
	}
	return visits, nil
}

func (p *Planner) takeOne(ctx context.Context, day, who string, v *RoundVisit, causes []CauseFile, now unit.Instant, author string) (int64, error) {
	open, err := Visits{p.store}.All(ctx, record.VisitQuery{Station: v.Station, Open: true})
	if err != nil {
		return 0, err
	}
	f := &VisitFile{Station: v.Station, Kind: bench.OnSite, Planned: &day, Who: &who, Why: causes, WhyText: v.What + ". " + v.Why}
	open = slices.DeleteFunc(open, func(o record.Visit) bool {
		return o.Kind != bench.OnSite || o.State != bench.Planned && o.State != bench.Agreed
	})
	for i := range open {
		if open[i].Planned == day {
			return open[i].Number, nil
		}
	}
	for i := range open {
		o := &open[i]
		switch {
		case v.Planned == nil || *v.Planned != o.Number:
		case o.State == bench.Agreed:
			return 0, Error{"visit", strconv.FormatInt(o.Number, 10), "it was agreed since this plan was made: make another one"}
		default:
			f = &VisitFile{Visit: o.Number, Planned: &day, Who: &who}
		}
	}
	return Visits{p.store}.Record(ctx, f, now, author, false)
}
