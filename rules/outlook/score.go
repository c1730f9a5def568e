package outlook

import "math"

// Bands are tenths of probability.
const Bands = 10

// Band is how often it came true of what was foretold with a probability from
// Low to High.
type Band struct {
	Low, High float64
	Nights    int     // that are over and of which it is known
	Foretold  float64 // mean probability
	Wet       int     // nights on which it came true
}

// Score says how outlooks did.
type Score struct {
	Nights int
	Wet    int
	Brier  float64 // mean of (probability − what came)²
	Rate   float64 // Brier score of always saying the share of wet nights, known only afterwards
	Bands  [Bands]Band
}

// Skill is how much of the Rate's error is left away; ok is false where nothing can
// be won, because all nights were alike, or none is known.
func (s *Score) Skill() (skill float64, ok bool) {
	if s.Rate == 0 {
		return 0, false
	}
	return 1 - s.Brier/s.Rate, true
}

// NewScore returns an empty score.
func NewScore() Score {
	var s Score
	for i := range s.Bands {
		s.Bands[i].Low, s.Bands[i].High = float64(i)/Bands, float64(i+1)/Bands
	}
	return s
}

// Add counts a night that is over.
func (s *Score) Add(p float64, wet bool) {
	came := 0.0
	if wet {
		came = 1
	}
	s.AddNights(max(0, min(Bands-1, int(p*Bands))), wet, 1, p, math.Pow(p-came, 2))
}

// AddNights counts nights that are over, of one band and all wet or none: at least
// one, the sum of what was foretold of them, and that of (probability − what came)².
func (s *Score) AddNights(band int, wet bool, nights int, foretold, wrong float64) {
	b, n := &s.Bands[band], float64(nights)
	if wet {
		s.Wet += nights
		b.Wet += nights
	}
	b.Foretold += (foretold - n*b.Foretold) / (float64(b.Nights) + n)
	b.Nights += nights
	s.Brier += (wrong - n*s.Brier) / (float64(s.Nights) + n)
	s.Nights += nights
	share := float64(s.Wet) / float64(s.Nights)
	s.Rate = share * (1 - share)
}
