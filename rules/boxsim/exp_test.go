package boxsim

import (
	"fmt"
	"math"
	"sort"
	"testing"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func TestExpClimate(t *testing.T) {
	for name, c := range map[string]Climate{"lake": Lakeside(), "quay": Quayside()} {
		g := NewWeather(c, 7)
		var mt, mr [12]float64
		var n [12]int
		var hr, ht [24]float64
		var hn [24]int
		var rh, wind []float64
		lo, hi := [12]float64{}, [12]float64{}
		rain, wet, cloud, sun := 0.0, 0, 0.0, 0.0
		clearN := []float64{}
		start := unit.At(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC))
		N := 4 * 8766
		for i := 0; i < N; i++ {
			at := start + unit.Instant(i)*hour
			a := g.At(at)
			tm := at.Time()
			m := tm.Month() - 1
			T := float64(a.Temp)
			mt[m] += T
			mr[m] += float64(a.RH)
			lo[m], hi[m] = min(lo[m], T), max(hi[m], T)
			n[m]++
			h := (tm.Hour() + 1) % 24
			hr[h] += float64(a.RH)
			ht[h] += T
			hn[h]++
			rh = append(rh, float64(a.RH))
			wind = append(wind, a.WindMS)
			rain += a.RainMMh
			if a.RainMMh > 0 {
				wet++
			}
			cloud += a.Cloud01
			sun += a.SunWm2
			if h == 5 && a.Cloud01 < .3 {
				clearN = append(clearN, float64(a.RH))
			}
		}
		fmt.Println(name, "rain mm/y", rain/4, "share", float64(wet)/float64(N), "cloud", cloud/float64(N), "sun kWh/y", sun/4/1000)
		for m := range 12 {
			fmt.Printf("%d: %.1f rh %.0f [%.0f %.0f]\n", m+1, mt[m]/float64(n[m]), mr[m]/float64(n[m]), lo[m], hi[m])
		}
		for h := range 24 {
			fmt.Printf("%d:%.0f/%.1f ", h, hr[h]/float64(hn[h]), ht[h]/float64(hn[h]))
		}
		fmt.Println()
		q := func(x []float64) {
			sort.Float64s(x)
			for _, p := range []float64{.01, .05, .25, .5, .75, .95, .99} {
				fmt.Printf("%.1f ", x[int(p*float64(len(x)))])
			}
			fmt.Println()
		}
		q(rh)
		q(wind)
		q(clearN)
	}
}

func night(s *Sim, start unit.Instant, weeks int, board bool) (cond, risk float64, perNight []float64, rhm float64) {
	days := weeks * 7
	perNight = make([]float64, days)
	for i := 0; i < days*144; i++ {
		at := start + unit.Instant(i)*hour/6
		r := s.Next(at)
		T, _ := r.Get(reading.InsideTemp)
		rh, _ := r.Get(reading.InsideRH)
		surf := T
		if board {
			surf, _ = r.Get(reading.BoardTemp)
		}
		rh = min(rh, 100)
		d := dewPoint(T, rh)
		if surf < 0 {
			e := rh / 100 * satWater(T)
			// frost point
			x := ln(e / 6.112)
			d = 272.62 * x / (22.46 - x)
		}
		rhm += rh / float64(days*144)
		if surf-d <= 0 {
			cond += 1. / 6
			perNight[(i)/144] += 1. / 6
		}
		if surf-d <= 3 {
			risk += 1. / 6
		}
	}
	return
}

func TestExpBox(t *testing.T) {
	for name, c := range map[string]Climate{"lake": Lakeside(), "quay": Quayside()} {
		for _, month := range []time.Month{1, 4, 7, 9} {
			start := unit.At(time.Date(2020, month, 1, 12, 0, 0, 0, time.UTC))
			box := Box{TauH: 60, ThermalTauMin: 25, SkyCoolingK: 4, SelfHeatK: 0.8, SunGainK: 10, StandbyMA: 12, HasBoard: true, Noise: 1}
			for _, f := range []struct {
				n   string
				f   []Fault
				tau float64
			}{
				{"healthy", nil, 60}, {"tau12", nil, 12}, {"cracked3", []Fault{{Kind: CrackedCover, From: 1, Size: 3}}, 60},
				{"water", []Fault{{Kind: WaterInside, From: 1, Size: 20}}, 60}, {"wall.4", []Fault{{Kind: WallAir, Size: .4}}, 12},
			} {
				b := box
				b.TauH = f.tau
				s := New(NewWeather(c, 7), b, f.f, 1, start)
				cond, risk, pn, rhm := night(s, start, 8, true)
				s = New(NewWeather(c, 7), b, f.f, 1, start)
				condA, riskA, _, _ := night(s, start, 8, false)
				sort.Float64s(pn)
				fmt.Printf("%s %2d %-9s cond %.2f/d risk %.1f/d  air-basis %.2f %.1f nights q: %.1f %.1f %.1f %.1f max %.1f rh %.0f water %.3f\n", name, month, f.n, cond/56, risk/56, condA/56, riskA/56, pn[14], pn[28], pn[42], pn[50], pn[55], rhm, s.water.stores[sump].mass)
			}
		}
	}
}

func ln(x float64) float64 { return math.Log(x) }

func BenchmarkExp(b *testing.B) {
	start := unit.At(time.Date(2020, 4, 1, 12, 0, 0, 0, time.UTC))
	box := Box{TauH: 60, ThermalTauMin: 25, SkyCoolingK: 4, SelfHeatK: 0.8, SunGainK: 10, StandbyMA: 12, HasBoard: true, HasCover: true, HasLine: true, HasOutside: true, HasComb: true, Noise: 1}
	s := New(NewWeather(Lakeside(), 1), box, nil, 1, start)
	at := start
	for b.Loop() {
		at += hour / 6
		s.Next(at)
	}
}
