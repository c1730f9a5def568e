package view

import (
	"context"
	"math"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Now is what a station's newest stored reading says.
type Now struct {
	At      unit.Instant    // 0: nothing was ever heard
	Reading reading.Reading // merged
	Known   bool            // inside temperature and RH are there; else nothing below is
	Temp    unit.Celsius    // inside
	RH      unit.Percent    // inside, as reported; physics takes more than 100 as 100
	Basis   exposure.Basis
	Surface unit.Celsius
	Dew     unit.Celsius // dew point, over water
	Margin  unit.Kelvin
	Ice     bool // the margin is to the frost point
}

// newest reads what the station said last, at the given instant.
func (v *View) newest(ctx context.Context, s *Station, at unit.Instant) (Now, error) {
	if at == 0 {
		return Now{}, nil
	}
	rs, err := v.store.Readings(ctx, s.ID, at, at+1)
	if err != nil || len(rs) == 0 {
		return Now{At: at}, err
	}
	r := reading.Merge(rs)[0]
	now := Now{At: at, Reading: r}
	i := instant{at: at}
	if i.state, i.known = stateOf(&r); !i.known {
		return now, nil
	}
	facts := s.factsAt(at)
	if facts.Learned != nil {
		var past exposure.Past
		if err := v.prime(ctx, s.ID, at, &past); err != nil {
			return now, err
		}
		i.coolHour, i.coolSix = past.Cooling(at, i.temp)
	}
	st := &i.state
	st.air = i.under(&facts)
	rh, _ := r.Get(reading.InsideRH)
	now.Known, now.Temp, now.RH = true, unit.Celsius(st.temp), unit.Percent(rh)
	now.Basis, now.Surface = exposure.BasisAir, unit.Celsius(st.air)
	if st.hasBoard {
		now.Basis, now.Surface = exposure.BasisBoard, unit.Celsius(st.board)
	}
	now.Dew = unit.Celsius(st.dew)
	now.Margin = exposure.Margin(now.Surface, unit.Celsius(st.temp), unit.Percent(st.rh))
	now.Ice = now.Surface < 0
	return now, nil
}

// state is what physics can use of one reading, as the ledger uses it.
type state struct {
	temp, rh   float64 // inside; rh clamped to 100
	dew        float64
	air, board float64 // the surface on either basis
	hasBoard   bool
}

// prime takes in the readings before an instant that can tell of the surface at
// it.
func (v *View) prime(ctx context.Context, id string, at unit.Instant, past *exposure.Past) error {
	rs, err := v.store.Readings(ctx, id, at.Add(-exposure.UndercoolingReach), at)
	for _, r := range reading.Merge(rs) {
		if st, ok := stateOf(&r); ok {
			past.Cooling(r.Time, st.temp)
		}
	}
	return err
}

// stateOf is false for a reading without inside temperature or a positive RH. The
// surface on basis air is the air's.
func stateOf(r *reading.Reading) (state, bool) {
	t, okT := r.Get(reading.InsideTemp)
	rh, okR := r.Get(reading.InsideRH)
	if !okT || !okR || rh <= 0 {
		return state{}, false
	}
	s := state{temp: t, rh: min(rh, 100), air: t}
	s.board, s.hasBoard = r.Get(reading.BoardTemp)
	s.dew = float64(moistair.DewPoint(unit.Celsius(t), unit.Percent(s.rh)))
	return s, !math.IsNaN(s.dew)
}

// surface returns the surface that stands for the box at this reading alone.
func (s *state) surface() float64 {
	if s.hasBoard {
		return s.board
	}
	return s.air
}

func (s *state) margin(surface float64) float64 {
	return float64(exposure.Margin(unit.Celsius(surface), unit.Celsius(s.temp), unit.Percent(s.rh)))
}
