package fold

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/outlook"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const (
	lenders    = 3         // stations from which a new one borrows
	keepNewest = 3         // states of nights, and beside them one in 64 days
	lookAgain  = time.Hour // at a station of whose nights nothing can be told
)

// foretell follows a station's nights when an outlook is due or a night is over.
// What was told before is told no other way, whatever comes late; what is learned
// is what all readings in order teach.
func (f *Folder) foretell(ctx context.Context, facts *stationFacts, st *stretch, first unit.Instant) (*record.Foretold, error) {
	states := st.recent.Nights
	if len(states) == 0 && facts.at(st.last).Place == nil {
		return nil, nil // no place, no night
	}
	changed := max(st.mark.From, st.mark.Frozen, first)
	stale := func(s record.OutlookState) bool { return s.At >= changed || s.Version != outlook.Version }
	valid := slices.DeleteFunc(slices.Clone(states), stale)
	out := &record.Foretold{Made: unit.At(f.cfg.Now())}
	for _, s := range states {
		if stale(s) {
			out.Drop = append(out.Drop, s.At)
		}
	}
	if n := len(valid); n > 0 && st.last < valid[n-1].Due {
		if len(out.Drop) == 0 {
			return nil, nil
		}
		return out, nil
	}
	var from record.OutlookState
	if n := len(valid); n > 0 {
		var err error
		if from, err = f.cfg.Store.OutlookState(ctx, st.mark.Station, valid[n-1].At+1); err != nil {
			return nil, err
		}
	}
	state, err := f.nights(ctx, facts, st, from, first)
	if err != nil || st.last <= from.At {
		return out, err
	}
	out.Told, out.Outcomes = state.Told, state.Outcomes
	state.Told, state.Outcomes = nil, nil
	if n := len(state.Nights); n > 1 {
		state.Nights = state.Nights[n-1:] // the one that may not be over
	}
	body, err := pressed(state)
	if err != nil {
		return nil, err
	}
	out.State = &record.OutlookState{At: st.last, Due: state.Due(), Version: outlook.Version, Body: body}
	if out.State.Due <= st.last { // there was no air to tell of, or there is no night
		out.State.Due = st.last.Add(lookAgain)
	}
	out.Drop = append(out.Drop, fewer(valid, st.mark.Frozen)...)
	return out, nil
}

// fewer returns those of the states that are kept no longer beside a new one. What
// comes after frozen hours is told from the last one before.
func fewer(states []record.OutlookState, frozen unit.Instant) (drop []unit.Instant) {
	block := int64(math.MinInt64)
	for i, s := range states {
		at := int64(s.At.Floor(64*day)) / int64(64*day)
		last := s.At < frozen && (i+1 == len(states) || states[i+1].At >= frozen)
		if i < len(states)-keepNewest && at == block && !last {
			drop = append(drop, s.At)
		}
		block = at
	}
	return drop
}

// nights goes on from a state, or begins, up to the newest reading.
func (f *Folder) nights(ctx context.Context, facts *stationFacts, st *stretch, from record.OutlookState, first unit.Instant) (*outlook.State, error) {
	state := &outlook.State{}
	begin := first
	if from.At != 0 {
		if err := unpressed(from.Body, state); err != nil {
			return nil, fmt.Errorf("what is remembered of its nights at %s: %w", from.At, err)
		}
		begin = from.At + 1
	} else {
		lent, err := f.borrow(ctx, facts, st.mark.Station, first)
		if err != nil {
			return nil, err
		}
		state.Borrowed = lent
	}
	var failed error
	state.Sky = func(issued, from, to unit.Instant) *outlook.Sky {
		sky, err := f.sky(ctx, facts, issued, from, to)
		if err != nil {
			failed = err
		}
		return sky
	}
	points := exposure.NewStream(facts.timeline, exposure.Part{From: math.MaxInt64})
	doubts := finding.Doubts(st.ofBox(st.recent.Occurrences))
	at := begin
	if learned(facts.timeline) {
		at = begin.Add(-exposure.UndercoolingReach)
	}
	for at <= st.last {
		f.answer()
		to := min(st.last+1, at.Add(chunk))
		rs, err := f.cfg.Store.Readings(ctx, st.mark.Station, at, to)
		if err != nil {
			return nil, err
		}
		merged := reading.Merge(rs)
		for i := range merged {
			m := &merged[i]
			points.Add(m)
			temp, dew, margin, ok := points.Air()
			_, board := m.Get(reading.BoardTemp)
			if valid := facts.at(m.Time); ok && valid.Place != nil && m.Time >= begin && !finding.Doubtful(doubts, m.Time, board) {
				state.Add(m.Time, temp, dew, margin, *valid.Place, valid.MaxGap)
			}
		}
		at = to
	}
	return state, failed
}

// sky is what was forecast by an instant for the site on which the station hung
// then, over [from, to).
func (f *Folder) sky(ctx context.Context, facts *stationFacts, issued, from, to unit.Instant) (*outlook.Sky, error) {
	site, ok := fact.At(facts.own, fact.Site, issued)
	if !ok || site == fact.None {
		return nil, nil
	}
	hours, err := f.cfg.Store.Forecast(ctx, site, issued, from, to)
	if err != nil || len(hours) == 0 {
		return nil, err
	}
	sky := &outlook.Sky{Least: math.Inf(1)}
	var cloud, wind, clouds, winds float64
	for i := range hours {
		h := &hours[i]
		sky.Least = min(sky.Least, max(0, h.Temp-h.DewPoint))
		if h.Cloud.There {
			cloud, clouds = cloud+h.Cloud.Value/100, clouds+1
		}
		if h.Wind.There {
			wind, winds = wind+h.Wind.Value, winds+1
		}
	}
	if clouds > 0 {
		cloud /= clouds
		sky.Cloud = &cloud
	}
	if winds > 0 {
		wind /= winds
		sky.Wind = &wind
	}
	return sky, nil
}

// borrow returns what a station begins with: what others of its site, else of its
// build, had learned before its first reading; nil where none had.
func (f *Folder) borrow(ctx context.Context, facts *stationFacts, station string, first unit.Instant) (*outlook.Lent, error) {
	all, err := f.cfg.Store.Stations(ctx)
	if err != nil {
		return nil, err
	}
	site, _ := fact.At(facts.own, fact.Site, first)
	build, _ := fact.At(facts.own, fact.Build, first)
	of := map[outlook.Basis][]*outlook.State{}
	for _, other := range all {
		if other.ID == station {
			continue
		}
		own, err := f.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: other.ID})
		if err != nil {
			return nil, err
		}
		basis := outlook.Basis("")
		if its, _ := fact.At(own, fact.Build, first); its != "" && its == build {
			basis = outlook.OfBuild
		}
		if its, _ := fact.At(own, fact.Site, first); its != "" && its != fact.None && its == site {
			basis = outlook.OfSite
		}
		if basis == "" || len(of[basis]) == lenders {
			continue
		}
		st, err := f.cfg.Store.OutlookState(ctx, other.ID, first)
		if err != nil {
			return nil, err
		}
		if st.At == 0 || st.Version != outlook.Version {
			continue
		}
		state := &outlook.State{}
		if err := unpressed(st.Body, state); err != nil {
			return nil, fmt.Errorf("what %s remembers of its nights: %w", other.ID, err)
		}
		of[basis] = append(of[basis], state)
	}
	if lent := outlook.Lend(outlook.OfSite, of[outlook.OfSite]); lent != nil {
		return lent, nil
	}
	return outlook.Lend(outlook.OfBuild, of[outlook.OfBuild]), nil
}

func pressed(s *outlook.State) ([]byte, error) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if err := json.NewEncoder(z).Encode(s); err != nil {
		return nil, fmt.Errorf("write down nights: %w", err)
	}
	if err := z.Close(); err != nil {
		return nil, fmt.Errorf("write down nights: %w", err)
	}
	return b.Bytes(), nil
}

func unpressed(body []byte, s *outlook.State) error {
	z, err := gzip.NewReader(bytes.NewReader(body))
	if err != nil {
		return err
	}
	return json.NewDecoder(z).Decode(s)
}
