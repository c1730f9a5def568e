package boxsim

// The parts of a box that have a temperature of their own.
const (
	inAir   = iota
	inBoard // board surface
	inCover // inner side of the cover
	inSump  // bottom of the housing, against the wall
	numParts
)

// part is how a part of the box shares in what warms and cools it. All are
// judgement values.
type part struct {
	lag  float64 // time constant as a multiple of that of the box air
	self float64 // share of Box.SelfHeatK
	sky  float64 // share of the cover's night-sky cooling
	sun  float64 // share of the cover's sun gain
	wall float64 // K above outdoors from the house behind the wall
}

var parts = [numParts]part{
	inAir:   {lag: 1, self: 0.6, sky: 0.65, sun: 0.6},
	inBoard: {lag: 1.3, self: 1, sky: 0.75, sun: 0.5},
	inCover: {lag: 0.6, self: 0.25, sky: 1, sun: 1},
	inSump:  {lag: 12, self: 0.7, sky: 0, sun: 0.4, wall: 1.6},
}

const (
	maxStep = hour / 6       // of the physics: 10 min
	spinUp  = 10 * 24 * hour // simulated before the first reading

	// Rates at which box air approaches the vapour pressure of a wet surface,
	// 1/h: judgement values for stagnant air in a shallow box with the face
	// plate between board and cover.
	boardRate = 3.0
	coverRate = 0.3
	sumpRate  = 5.0
	wallRate  = 5.0 // fog settles on walls that are as warm as the air

	sumpHalf = 0.4  // g of puddle that wet half of the sump
	rainIn   = 4e-3 // g that a cracked cover lets in for each mm of rain
	filmHold = 0.5  // g that cling to board or cover; the rest runs into the sump
	sumpHold = 0.2  // g of rain that stay; the rest leaves by the weep hole

	minBufferTau = 0.5    // h, of Buffer: a step must be short against it
	kelvin       = 273.15 // 0 °C in K

	// Heat of fusion, 334 J/g, by heat capacities of 120 and 480 J/K
	// (judgement values: 0.1 kg of board, 0.4 kg of housing).
	boardFusion = 334.0 / 120 // K for each g that freezes or thaws
	sumpFusion  = 334.0 / 480
	frozenFilm  = 0.05 // conductance of a film below 0 °C as a share of a liquid one's: judgement value

	driftWave    = 1  // number of the supply's wave
	driftSpacing = 40 // h between its nodes: it wanders over days
)
