package boxsim

import "dewpost/rules/unit"

// FaultKind is something that goes wrong with a box or its sensors.
type FaultKind string

// The kinds of fault, each with the meaning of Fault.Size.
const (
	CrackedCover FaultKind = "cracked_cover" // h: the breathing time that the box falls to; rain gets in
	OpenedSeal   FaultKind = "opened_seal"   // h: the breathing time that the box falls to; sheltered from rain
	WaterInside  FaultKind = "water_inside"  // g of water at From; the box is opened, drained and wiped dry at To
	WallAir      FaultKind = "wall_air"      // share of the exchanged air that comes from the house, 0…1
	Leakage      FaultKind = "leakage"       // µS across the board at saturation, reached 21 days after From
	CurrentStep  FaultKind = "current_step"  // mA added to the line current
	StuckSensor  FaultKind = "stuck_sensor"  // %RH of scatter round the inside RH at From, which stays
	SensorCreep  FaultKind = "sensor_creep"  // %RH that inside RH reads too high after 25 days, growing on
	Dropout      FaultKind = "dropout"       // share of reads of the inside sensor that fail; 0 is all
	AgeingCover  FaultKind = "ageing_cover"  // days in which the breathing time halves, and halves again
	SupplyLow    FaultKind = "supply_low"    // share of the line voltage that is left; 0 is none
)

// What people do to a box, at Fault.From and for good.
const (
	Repaired      FaultKind = "repaired"       // h: the breathing time under a new cover, 0 as built; the box is wiped dry
	SensorSwapped FaultKind = "sensor_swapped" // %RH: the constant error of the new inside sensor
)

// Fault is one fault in [From, To). A kind that is none of the constants has
// no effect.
type Fault struct {
	Kind FaultKind
	From unit.Instant // 0: from the start of the simulation
	To   unit.Instant // 0: for ever
	Size float64
}

func (f *Fault) active(t unit.Instant) bool {
	return t >= f.From && (f.To == 0 || t < f.To)
}

// days returns the days from the fault's beginning to t.
func (f *Fault) days(t unit.Instant) float64 { return float64(t-f.From) / (24 * hour) }

// puddle is a fault of kind WaterInside and what has been done of it.
type puddle struct {
	Fault
	poured, drained bool
}

// faults holds the faults by what they act on.
type faults struct {
	opened, ageing, wallAir, leakage []Fault // opened: cracks and seals
	step, supply                     []Fault
	stuck, creep, dropout            []Fault
	repaired, swapped                []Fault
	puddles                          []puddle
}

func sortFaults(list []Fault, start unit.Instant) faults {
	var fs faults
	kinds := map[FaultKind]*[]Fault{
		CrackedCover: &fs.opened, OpenedSeal: &fs.opened, WallAir: &fs.wallAir, Leakage: &fs.leakage, CurrentStep: &fs.step,
		StuckSensor: &fs.stuck, SensorCreep: &fs.creep, Dropout: &fs.dropout,
		AgeingCover: &fs.ageing, SupplyLow: &fs.supply, Repaired: &fs.repaired, SensorSwapped: &fs.swapped,
	}
	for _, f := range list {
		if f.From == 0 {
			f.From = start
		}
		switch f.Kind {
		case WaterInside:
			fs.puddles = append(fs.puddles, puddle{Fault: f})
		case Repaired, SensorSwapped:
			f.To = 0
		}
		if f.Kind == Repaired { // a puddle of none that is drained at once
			fs.puddles = append(fs.puddles, puddle{Fault: Fault{From: f.From, To: f.From}})
		}
		if of := kinds[f.Kind]; of != nil {
			*of = append(*of, f)
		}
	}
	return fs
}

// firstActive returns the first fault that is active at t, or nil.
func firstActive(list []Fault, t unit.Instant) *Fault {
	for i := range list {
		if list[i].active(t) {
			return &list[i]
		}
	}
	return nil
}

// lastActive returns the active fault that began last, or nil.
func lastActive(list []Fault, t unit.Instant) *Fault {
	var last *Fault
	for i := range list {
		if f := &list[i]; f.active(t) && (last == nil || f.From >= last.From) {
			last = f
		}
	}
	return last
}

// pour fills the sump where a puddle begins by t, and tells whether one ends.
func (fs *faults) pour(sump *float64, t unit.Instant) (drained bool) {
	for i := range fs.puddles {
		p := &fs.puddles[i]
		if !p.poured && t >= p.From {
			p.poured = true
			*sump += max(0, p.Size)
		}
		if !p.drained && p.To != 0 && t >= p.To {
			p.drained, drained = true, true
		}
	}
	return drained
}
