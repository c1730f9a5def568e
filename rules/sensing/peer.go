package sensing

import (
	"math"

	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Judgement values. An observer some kilometres away hears air of nearly the same
// vapour, day by day; humidities are in %RH at the station's own temperature.
const (
	peerSlots = 72 // of a day, that both must have
	peerKeep  = 45 // days
	peerLast  = 7  // days that are judged
	peerFirst = 21 // days before those that tell what is usual, at least half of them known
	peerOff   = 15.0
	peerMoved = 7.0 // from what is usual
	peerTimes = 4.0 // … in standard errors of a week's mean
	peerHeld  = 3   // days on end
	peerBack  = 0.5 // of what it was: it is over
)

// peers is by how much an outdoor humidity sensor differs from what others observe.
type peers struct {
	Day  int64     `json:"d"`
	N    int       `json:"n"`
	Sum  float64   `json:"s"`
	Days []peerDay `json:"days,omitempty"` // the last peerKeep
	Held int       `json:"held,omitempty"`
}

type peerDay struct {
	Day int64   `json:"d"`
	Off float32 `json:"o"` // mean, %RH
}

// judgePeer holds the outdoor humidity sensor against weather that others observe:
// by day's means, whether it shows far too much or too little, or has moved away
// from what was usual between the two.
func (s *State) judgePeer(m *means.Mean, observed *Air) {
	const c = reading.OutsideRH
	p := &s.Peers
	if day := int64(m.Start) / hourNs / dayHours; day != p.Day {
		if p.N >= peerSlots {
			p.Days = append(p.Days, peerDay{p.Day, float32(math.Round(100*p.Sum/float64(p.N)) / 100)})
			for p.Days[0].Day <= p.Day-peerKeep {
				p.Days = p.Days[1:]
			}
			s.endPeerDay(m.Done)
		}
		p.Day, p.N, p.Sum = day, 0, 0
	}
	if observed == nil || m.Ch[c].N == 0 || m.Ch[reading.OutsideTemp].N == 0 {
		return
	}
	there := float64(observed.RH) * satWater(float64(observed.Temp)) / satWater(m.Ch[reading.OutsideTemp].Mean)
	p.N++
	p.Sum += m.Ch[c].Mean - min(100, there)
}

// endPeerDay judges the week that ends with a day.
func (s *State) endPeerDay(at unit.Instant) {
	const c = reading.OutsideRH
	p := &s.Peers
	var week, before []float64
	for _, d := range p.Days {
		switch age := p.Day - d.Day; {
		case age < peerLast:
			week = append(week, float64(d.Off))
		case age < peerLast+peerFirst:
			before = append(before, float64(d.Off))
		}
	}
	if len(week) < peerLast-2 {
		return
	}
	off, usual, scatter := mean(week), 0.0, 0.0
	moved := false
	if len(before) >= peerFirst/2 {
		usual = mean(before)
		for _, x := range before {
			scatter += (x - usual) * (x - usual) / float64(len(before)-1)
		}
		// Days come in runs: a week has the weight of three of them. Who comes nearer
		// to the others does not leave them.
		moved = math.Abs(off) > math.Abs(usual) && math.Abs(off-usual) > max(peerMoved, peerTimes*math.Sqrt(scatter*(1./3+3/float64(len(before)))))
	}
	if f := s.lasting(c); f != nil && f.Cause == Drift {
		if math.Abs(off) < max(peerMoved, peerBack*math.Abs(f.Evidence[0].Value)) {
			f.To = int64(at)
		}
		return
	}
	if !moved && math.Abs(off) <= peerOff {
		p.Held = 0
		return
	}
	if p.Held++; p.Held >= peerHeld {
		p.Held = 0
		s.conclude(c, Drift, unit.Instant((p.Day-peerLast-peerHeld+2)*dayHours*hourNs), at, 0.8, off, "%RH")
	}
}

func mean(list []float64) float64 {
	sum := 0.0
	for _, x := range list {
		sum += x
	}
	return sum / float64(len(list))
}
