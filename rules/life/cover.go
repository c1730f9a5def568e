package life

import (
	"math"
	"slices"
	"sort"
	"time"

	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// The chances of a first crack by weighted age are log-normal, with a tenth
// before 10 years and a tenth after 15 (common practice, no source).
var (
	crackMiddle = (math.Log(10) + math.Log(15)) / 2
	crackSpread = math.Log(1.5) / 2 / tenth
)

const tenth = 1.2815515655446004 // standard deviations that leave a tenth of a normal distribution above

// Chances, and the time ahead that they speak of. Judgement values: a cover is
// out of production, and half a year finds one or lets one be made up.
const (
	CoverLead = 182 * day
	coverDue  = 0.10 // chance of a crack by then from which it is due
	coverWell = 0.05 // below it no longer

	// When this share has cracked so few are left that nothing is known of how they
	// go on: those that are older are taken alike.
	coverWorn = 0.99
)

// crackedBy is the chance of a crack by an age, of a cover that nobody has looked
// at: common practice's, or what visits taught.
func (h *History) crackedBy(age float64) float64 {
	switch l := h.learned(CoverGroup); {
	case age <= 0:
		return 0
	case l != nil:
		return l.HappenedBy(age / math.Exp(crackMiddle))
	}
	return math.Erfc((crackMiddle-math.Log(age))/crackSpread/math.Sqrt2) / 2
}

// ageAt returns the age by which a share of covers has cracked.
func (h *History) ageAt(share float64) float64 {
	if l := h.learned(CoverGroup); l != nil {
		return math.Exp(crackMiddle) * l.By(share)
	}
	return math.Exp(crackMiddle + crackSpread*math.Sqrt2*math.Erfinv(2*share-1))
}

// Cover is what is known of a station's cover at an instant.
type Cover struct {
	// Missing names the facts that somebody must record before more can be
	// said; the fields from New on are zero then.
	Missing   []string
	Condition string // as recorded: sound, crazed, cracked, missing; ""
	Cracked   bool   // it has cracked, or is gone, as somebody found

	New       unit.Instant
	Age       float64 // years outdoors since, weighted by sun
	Estimated bool    // some of that sun is not known, and counts as part sun
	SeenSound float64 // weighted age at which it was last seen without a crack; 0 when nobody looked

	Learned *Learned // what looks at covers taught; nil: nothing yet

	Chance float64 // that it has cracked by now
	Ahead  float64 // that it will have within CoverLead
	Week   float64 // that it will within a week, if it hasn't by now

	// When a tenth, half and nine tenths of such covers have cracked, as the
	// sun is now; 0 when that is past, or while the station hangs nowhere.
	Early, Likely, Late unit.Instant

	since unit.Instant // from when on what is said of it holds
}

// CoverAt returns what is known of the cover at now. Age is known from the
// date on which the cover was new; that somebody saw it sound, or crazed,
// raises its chances from there.
//
// Source: common practice, no source, until looks at covers taught otherwise (see
// Learn).
func (h *History) CoverAt(now unit.Instant) Cover {
	c := Cover{Learned: h.learned(CoverGroup)}
	c.Condition, _ = fact.At(h.own, fact.CoverCondition, now)
	build, _ := fact.At(h.own, fact.Build, now)
	c.Cracked = c.Condition == "cracked" || c.Condition == "missing" || build == crackedBuild
	date, _ := fact.At(h.own, fact.CoverNew, now)
	fresh, ok := dateOf(date)
	if !ok {
		c.Missing = []string{fact.CoverNew}
		if c.Cracked || c.Condition == crazed {
			c.since = h.said(now)
		}
		return c
	}
	c.New, c.since = fresh, fresh
	c.Age, c.Estimated = h.outdoors(fresh, now)
	for i := range h.own {
		f := &h.own[i]
		if f.Name != fact.CoverCondition || f.Value != "sound" && f.Value != crazed || !h.stands(f) {
			continue
		}
		if seen := seenAt(f); seen > fresh && seen <= now {
			age, _ := h.outdoors(fresh, seen)
			c.SeenSound, c.since = max(c.SeenSound, age), max(c.since, seen)
		}
	}
	if c.Cracked {
		c.Chance, c.Ahead, c.since = 1, 1, h.said(now)
		return c
	}
	if c.Condition == crazed {
		c.since = h.said(now)
	}
	lead, _ := h.outdoors(now, now.Add(CoverLead))
	c.Chance, c.Ahead = c.chance(h, c.Age), c.chance(h, c.Age+lead)
	c.Week = h.cracksInAWeek(c.Age, lead)
	c.Early, c.Likely, c.Late = c.when(h, now, 0.1), c.when(h, now, 0.5), c.when(h, now, 0.9)
	return c
}

const crazed = "crazed" // a fact's value: fine cracks, of which a crack begins

// chance that it has cracked by an age, given that it had not when last seen.
func (c *Cover) chance(h *History, age float64) float64 {
	seen := h.crackedBy(c.SeenSound)
	if seen == 1 {
		return 1
	}
	return max(0, h.crackedBy(age)-seen) / (1 - seen)
}

// cracksInAWeek is the chance that a cover of an age which is whole is not after a
// week, of a time in which it ages by lead.
func (h *History) cracksInAWeek(age, lead float64) float64 {
	if h.crackedBy(age) > coverWorn {
		age = h.ageAt(coverWorn)
	}
	whole := (1 - h.crackedBy(age+lead)) / (1 - h.crackedBy(age))
	return 1 - math.Pow(whole, float64(7*day)/float64(CoverLead))
}

// when returns when that chance is reached.
func (c *Cover) when(h *History, now unit.Instant, share float64) unit.Instant {
	seen := h.crackedBy(c.SeenSound)
	sun := h.stretch[h.at(now)].sun
	left := h.ageAt(seen+share*(1-seen)) - c.Age
	if left < 0 || sun == 0 || left/sun > farAhead {
		return 0
	}
	return now.Add(time.Duration(left / sun * float64(year)))
}

const farAhead = 100.0 // years that are no longer a date

// seenAt returns when somebody saw what a fact says: the instant from which it
// holds or, where it has always held, when it was recorded.
func seenAt(f *fact.Fact) unit.Instant {
	if f.From == fact.Always {
		return f.Recorded
	}
	return f.From
}

// stands tells whether a fact was not corrected since.
func (h *History) stands(f *fact.Fact) bool {
	valid, _ := fact.Valid(h.own, f.Name, f.From)
	return valid == *f
}

// said returns from when on the cover's condition and build are what they are.
func (h *History) said(now unit.Instant) unit.Instant {
	var at unit.Instant
	for i := range h.own {
		f := &h.own[i]
		if (f.Name == fact.CoverCondition || f.Name == fact.Build && f.Value == crackedBuild) && f.From <= now && h.stands(f) {
			at = max(at, min(seenAt(f), now))
		}
	}
	return at
}

// Due concludes whether the cover should be changed, given what was concluded
// before and lasts, if anything: its numbers stay those of its beginning. It
// is due when it is cracked or crazed, or with a chance of a tenth will have
// cracked within CoverLead, and until that chance is half. A lasting one ends
// with another cover, or with what was seen of it; found is false when nothing
// is due, and when what lasts was an error of the record.
func (h *History) Due(now unit.Instant, lasting *finding.Finding) (f finding.Finding, found bool) {
	c := h.CoverAt(now)
	seen := c.Cracked || c.Condition == crazed
	limit := coverDue
	if lasting != nil {
		limit = coverWell
	}
	due := seen || len(c.Missing) == 0 && c.Ahead >= limit
	switch {
	case lasting != nil && due:
		return *lasting, true
	case lasting != nil:
		f = *lasting
		f.To = h.changed(now, lasting.From)
		return f, f.To != 0
	case !due:
		return f, false
	}
	f = finding.Finding{Kind: finding.CoverDue, From: c.since, Concluded: now, Confidence: c.Ahead}
	if seen {
		f.Confidence = 0.9
	} else {
		f.From = h.dueSince(now, &c)
	}
	if len(c.Missing) == 0 {
		f.Evidence = append(f.Evidence, finding.Evidence{Name: "cover_age", Value: c.Age, Unit: "years"})
	}
	if !seen {
		f.Evidence = append(f.Evidence, finding.Evidence{Name: "crack_chance", Value: 100 * c.Ahead, Unit: "%"})
	}
	return f, true
}

// Seen tells whether a due cover was seen cracked, crazed or gone, rather than
// taken to be old enough.
func Seen(due *finding.Finding) bool {
	return !slices.ContainsFunc(due.Evidence, func(e finding.Evidence) bool { return e.Name == "crack_chance" })
}

// changed returns when the newest word on the cover after an instant was said;
// 0 when none was.
func (h *History) changed(now, after unit.Instant) (at unit.Instant) {
	for i := range h.own {
		f := &h.own[i]
		if (f.Name == fact.CoverNew || f.Name == fact.CoverCondition) && f.From > after && f.From <= now {
			at = max(at, f.From)
		}
	}
	return at
}

// dueSince returns the day on which the chance came to the limit, not before
// what is said of the cover began to hold.
func (h *History) dueSince(now unit.Instant, c *Cover) unit.Instant {
	days := sort.Search(int(now.Sub(c.since)/day), func(i int) bool {
		age, _ := h.outdoors(c.New, c.since.Add(time.Duration(i)*day+CoverLead))
		return c.chance(h, age) >= coverDue
	})
	return c.since.Add(time.Duration(days) * day)
}
