package view

import "dewpost/rules/exposure"

// Sum is the times, in ns, and the dose of some ledger hours: what lists keep of
// each night.
type Sum struct {
	Known, Unknown                            int64
	Condensing, CondensingLow, CondensingHigh int64
	AtRisk, AtRiskLow, AtRiskHigh             int64
	Dose                                      int64 // 1e-9 equivalent hours at saturation
}

// Add adds an hour.
func (s *Sum) Add(h *exposure.Hour) {
	s.Join(&Sum{h.Known, h.Unknown, h.Condensing, h.CondensingLow, h.CondensingHigh, h.AtRisk, h.AtRiskLow, h.AtRiskHigh, h.Dose})
}

// Join adds another sum.
func (s *Sum) Join(o *Sum) {
	s.Known += o.Known
	s.Unknown += o.Unknown
	s.Condensing += o.Condensing
	s.CondensingLow += o.CondensingLow
	s.CondensingHigh += o.CondensingHigh
	s.AtRisk += o.AtRisk
	s.AtRiskLow += o.AtRiskLow
	s.AtRiskHigh += o.AtRiskHigh
	s.Dose += o.Dose
}
