package moistair_test

import (
	"testing"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Each benchmark walks through a day of air, so that no branch is learned.

func BenchmarkDewPoint(b *testing.B) {
	var sum unit.Celsius
	for i := 0; b.Loop(); i++ {
		sum += moistair.DewPoint(unit.Celsius(i%1440)/60-4, unit.Percent(50+i%50))
	}
	_ = sum
}

func BenchmarkSurfaceRH(b *testing.B) {
	var sum unit.Percent
	for i := 0; b.Loop(); i++ {
		air := unit.Celsius(i%1440)/60 - 4
		sum += moistair.SurfaceRH(air, unit.Percent(50+i%50), air-2)
	}
	_ = sum
}
