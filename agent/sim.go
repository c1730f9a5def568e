package agent

import (
	"fmt"
	"math"
	"time"

	"dewpost/agent/sample"
	"dewpost/agent/sensor/sim"
	"dewpost/rules/boxsim"
	"dewpost/rules/unit"
)

// newSim builds the simulated sensor; c may be nil for all defaults.
func newSim(c *Sim, now func() time.Time) (sample.Sensor, *Problem) {
	if c == nil {
		c = &Sim{}
	}
	sc := sim.Config{Seed: c.Seed}
	switch c.Climate {
	case "", "lakeside":
		sc.Climate = boxsim.Lakeside()
	case "quayside":
		sc.Climate = boxsim.Quayside()
	default:
		return nil, &Problem{Key: "sim.climate", What: fmt.Sprintf("%q is not known", c.Climate), Fix: "write lakeside or quayside"}
	}
	if !(c.BreathingH >= 0 && c.BreathingH <= 10_000) {
		return nil, &Problem{Key: "sim.breathing_h", What: fmt.Sprintf("%v is out of range", c.BreathingH), Fix: "write 0.1 to 10000 hours, or leave it out"}
	}
	sc.Box = simBox(*c)
	for i, f := range c.Faults {
		fault, problem := simFault(f)
		if problem != nil {
			problem.Key = fmt.Sprintf("sim.fault[%d].%s", i+1, problem.Key)
			return nil, problem
		}
		sc.Faults = append(sc.Faults, fault)
	}
	return sim.New(sc, now), nil
}

// simBox is a plausible box with the chosen sensors.
func simBox(c Sim) boxsim.Box {
	return boxsim.Box{
		TauH: c.BreathingH, SkyCoolingK: 3, SelfHeatK: 0.5, SunGainK: 8, StandbyMA: 12, Noise: 1,
		HasBoard: c.Board, HasCover: c.Cover, HasOutside: c.Outside, HasLine: c.Line, HasComb: c.Comb,
	}
}

func simFault(f Fault) (boxsim.Fault, *Problem) {
	kind := boxsim.FaultKind(f.Kind)
	switch kind {
	case boxsim.CrackedCover, boxsim.WaterInside, boxsim.WallAir, boxsim.Leakage,
		boxsim.CurrentStep, boxsim.StuckSensor, boxsim.SensorCreep, boxsim.Dropout,
		boxsim.OpenedSeal, boxsim.AgeingCover, boxsim.SupplyLow, boxsim.Repaired, boxsim.SensorSwapped:
	default:
		return boxsim.Fault{}, &Problem{Key: "kind", What: fmt.Sprintf("%q is not known", f.Kind), Fix: "choose one of those in the sample configuration"}
	}
	if math.IsNaN(f.Size) || math.IsInf(f.Size, 0) {
		return boxsim.Fault{}, &Problem{Key: "size", What: fmt.Sprintf("%v is not a number", f.Size), Fix: "write how bad the fault is"}
	}
	out := boxsim.Fault{Kind: kind, Size: f.Size}
	if !f.From.IsZero() {
		out.From = unit.At(f.From)
	}
	if !f.To.IsZero() {
		out.To = unit.At(f.To)
	}
	return out, nil
}
