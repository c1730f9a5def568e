package web

import (
	"strings"

	"dewpost/collector/books"
	"dewpost/rules/bench"
	"dewpost/rules/stock"
)

// spokenCodes are recorded words as pages write them.
func spokenCodes() (all []string) {
	add := func(code string) { all = append(all, strings.NewReplacer("-", " ", "_", " ").Replace(code)) }
	addAll(add, bench.Kinds)
	addAll(add, bench.Symptoms)
	addAll(add, bench.Outcomes)
	addAll(add, bench.Moistures)
	addAll(add, bench.CoverConditions)
	addAll(add, bench.GasketConditions)
	addAll(add, bench.CoatConditions)
	addAll(add, bench.Places)
	addAll(add, bench.Corrosions)
	addAll(add, bench.Codes)
	addAll(add, bench.Answers)
	addAll(add, bench.States)
	addAll(add, []bench.Verdict{bench.Passed, bench.Failed, bench.Incomplete, bench.Skipped})
	for _, code := range bench.Codes {
		for _, detail := range code.Details() {
			add(strings.TrimSuffix(detail, "*"))
		}
	}
	for check := range cardWords {
		add(strings.TrimPrefix(check, "masked."))
	}
	for build := range buildNames {
		add(build)
	}
	addAll(add, books.CoatingSensors)
	addAll(add, stock.Grades)
	addAll(add, stock.Conditions)
	return all
}

func addAll[T ~string](add func(string), list []T) {
	for _, v := range list {
		add(string(v))
	}
}
