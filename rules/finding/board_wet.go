package finding

import (
	"dewpost/rules/exposure"
)

// FromSpells turns wet spells into findings of kind board_wet. The limit is a
// judgement value: a sound box has dried four hours after sunrise.
func FromSpells(spells []exposure.Spell) []Finding {
	out := make([]Finding, 0, len(spells))
	for _, s := range spells {
		out = append(out, Finding{
			Kind: BoardWet, From: s.From, To: s.To, Concluded: s.Concluded,
			Confidence: 0.9,
			Evidence: []Evidence{
				{Name: "condensing_on_end", Value: s.Concluded.Sub(s.From).Hours(), Unit: "h"},
			},
		})
	}
	return out
}
