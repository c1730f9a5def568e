package alarm_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const minute = unit.Instant(time.Minute)

func at(h float64) unit.Instant { return unit.Instant(h * float64(hour)) }

// desk plays a collector that tells people, and keeps what it is told to keep.
type desk struct {
	t     *testing.T
	scene alarm.Scene
	told  []alarm.Message
}

func newDesk(t *testing.T, sites ...string) *desk {
	d := &desk{t: t, scene: alarm.Scene{NextCause: 1}}
	for i, site := range sites {
		d.scene.Stations = append(d.scene.Stations, alarm.Standing{Station: fmt.Sprintf("s-%02d", i), Site: site, Fresh: 3 * time.Hour, Step: 10 * time.Minute})
	}
	return d
}

// raise begins an occurrence at the i-th station.
func (d *desk) raise(i int, kind finding.Kind, from float64) *alarm.Occurrence {
	d.scene.Occurrences = append(d.scene.Occurrences, alarm.Occurrence{
		Station: d.scene.Stations[i].Station, Number: int64(len(d.scene.Occurrences) + 1), State: alarm.Unacknowledged, Steps: 1,
		Finding: finding.Finding{Kind: kind, From: at(from), Concluded: at(from)},
	})
	return &d.scene.Occurrences[len(d.scene.Occurrences)-1]
}

// heard sets newest readings, by station; others keep theirs.
func (d *desk) heard(h float64, stations ...int) {
	for _, i := range stations {
		d.scene.Stations[i].Newest = at(h)
	}
}

func (d *desk) heardAll(h float64) {
	for i := range d.scene.Stations {
		d.scene.Stations[i].Newest = at(h)
	}
}

// tell lets people be told, and returns the ids of what they were told now.
func (d *desk) tell(h float64) (ids []string) {
	d.scene.Now = at(h)
	out := alarm.Tell(d.scene)
	for _, o := range out.Occurrences {
		for i := range d.scene.Occurrences {
			if d.scene.Occurrences[i].ID() == o.ID() {
				require.Greater(d.t, o.Steps, d.scene.Occurrences[i].Steps, "a change without a trace")
				d.scene.Occurrences[i] = o
			}
		}
	}
	for _, c := range out.Causes {
		kept := d.scene.Causes[:0]
		for _, x := range d.scene.Causes {
			if x.Number != c.Number {
				kept = append(kept, x)
			}
		}
		d.scene.Causes = kept
		if d.scene.NextCause <= c.Number {
			d.scene.NextCause = c.Number + 1
		}
		if !c.Settled {
			d.scene.Causes = append(d.scene.Causes, c)
		}
	}
	for _, m := range out.Messages {
		ids = append(ids, m.ID)
	}
	d.told = append(d.told, out.Messages...)
	return ids
}

func TestToldOnceWhileFreshAndUnseen(t *testing.T) {
	d := newDesk(t, "lake", "quay")
	d.heardAll(10)
	d.raise(0, finding.WaterInside, 9)
	require.Empty(t, d.tell(14), "the newest reading is old")
	d.heard(14, 0)
	require.Equal(t, []string{"s-00:water_inside:1"}, d.tell(14))
	require.Equal(t, alarm.Urgent, d.told[0].Priority)
	require.Equal(t, alarm.AtOnce, d.told[0].Class)
	require.Equal(t, at(9+48), d.told[0].By)
	require.Empty(t, d.tell(14.5))

	seen := d.raise(1, finding.WaterInside, 9)
	seen.State = alarm.Acknowledged
	d.raise(1, finding.NoCurrent, 9).Finding.To = at(10)
	d.raise(0, finding.DampWeek, 9)
	gone := d.raise(0, finding.BoardWet, 9)
	gone.Station = "retired"
	d.heardAll(15)
	require.Equal(t, []string{"s-00:damp_week:4"}, d.tell(15))
	require.Equal(t, alarm.Letter, d.told[1].Class, "two weeks to respond: it waits for the morning")

	d.scene.Occurrences[0].Told = false // it was put aside and brought back
	require.Equal(t, []string{"s-00:water_inside:1:again:1"}, d.tell(15.5))
}

// Broker, collector or internet away: one message, not 24.
func TestNothingArrives(t *testing.T) {
	sites := make([]string, 24)
	for i := range sites {
		sites[i] = fmt.Sprint("site-", i%5)
	}
	d := newDesk(t, sites...)
	for i := range sites {
		d.heard(10-float64(i)/144, i) // by ten minutes, up to 10 h
	}
	d.scene.Stations[7].Fresh = 30 * 24 * time.Hour // read by hand: counts for nothing
	d.raise(23, finding.Silent, 10-23.0/144)
	ids := d.tell(13)
	require.Len(t, ids, 1)
	require.Equal(t, alarm.Workshop, d.told[0].Cause.Scope)
	require.Equal(t, alarm.Urgent, d.told[0].Priority)
	for i := range 23 {
		d.raise(i, finding.Silent, 10-float64(i)/144)
	}
	require.Empty(t, d.tell(13.2), "they are part of it")
	require.Empty(t, d.tell(20))

	// It is back; two stations of one site stay away, and one of another.
	for i := range d.scene.Occurrences {
		if s := d.scene.Occurrences[i].Station; s != "s-03" && s != "s-08" && s != "s-13" && s != "s-18" && s != "s-23" && s != "s-01" {
			d.scene.Occurrences[i].Finding.To, d.scene.Occurrences[i].State = at(21), alarm.Returned
		}
	}
	for i := range sites {
		if i%5 != 3 && i != 1 {
			d.heard(21, i)
		}
	}
	require.Empty(t, d.tell(21), "agents come back one by one")
	ids = d.tell(21.6)
	require.Len(t, ids, 2, "%v", ids)
	require.Equal(t, alarm.OfSite, d.told[1].Cause.Scope)
	require.Equal(t, "site-3", d.told[1].Cause.Subject)
	require.Equal(t, []string{"s-03", "s-08", "s-13", "s-18", "s-23"}, d.told[1].Stations())
	require.Contains(t, ids[1], "s-01:silent")
	require.Empty(t, d.tell(30))
}

func TestASiteIsQuiet(t *testing.T) {
	d := newDesk(t, "lake", "lake", "lake", "quay", "quay", "quay", "quay", "park")
	d.heardAll(13)
	d.heard(10, 0, 1, 2)
	d.heard(2, 7)
	d.raise(7, finding.Silent, 2)
	require.Equal(t, []string{"s-07:silent:1"}, d.tell(12.5), "one station alone on its site")
	d.raise(1, finding.Silent, 10)
	ids := d.tell(13.1)
	require.Len(t, ids, 1)
	require.Equal(t, alarm.Cause{Number: 1, Scope: alarm.OfSite, Subject: "lake", Kind: finding.Silent, From: at(10)}, *d.told[1].Cause)

	d = newDesk(t, "lake", "lake", "")
	d.heardAll(13)
	d.heard(10, 0, 2)
	d.raise(0, finding.Silent, 10)
	d.raise(2, finding.Silent, 10)
	require.Len(t, d.tell(13.1), 2, "its neighbour is heard; and what hangs nowhere has no site")
}

func TestOneLineOneMessage(t *testing.T) {
	d := newDesk(t, "lake", "lake", "lake")
	d.scene.Stations[0].Line, d.scene.Stations[1].Line, d.scene.Stations[2].Line = "east", "east", "west"
	d.heardAll(40)
	d.raise(0, finding.LineVoltageLow, 38)
	d.raise(1, finding.LineVoltageLow, 39)
	d.raise(2, finding.LineVoltageLow, 39)
	ids := d.tell(40)
	require.Len(t, ids, 2)
	require.Equal(t, alarm.OfLine, d.told[0].Cause.Scope)
	require.Equal(t, "east", d.told[0].Cause.Subject)

	// The second station tells later: what the line's first told is known.
	d = newDesk(t, "lake", "lake", "lake")
	d.scene.Stations[0].Line, d.scene.Stations[1].Line, d.scene.Stations[2].Line = "east", "east", "east"
	d.heardAll(40)
	d.raise(0, finding.CurrentStepUp, 38)
	require.Len(t, d.tell(40), 1)
	d.raise(1, finding.CurrentStepUp, 39)
	require.Empty(t, d.tell(40.5))
	d.raise(2, finding.CurrentStepUp, 39)
	require.Empty(t, d.tell(40.6))
	for i := range d.scene.Occurrences {
		d.scene.Occurrences[i].Finding.To, d.scene.Occurrences[i].State = at(41), alarm.Normal
	}
	require.Empty(t, d.tell(42))
	require.Empty(t, d.scene.Causes, "settled")
}

func TestASiteWithoutPower(t *testing.T) {
	d := newDesk(t, "lake", "lake", "quay")
	d.heardAll(40)
	d.raise(0, finding.NoCurrent, 38)
	d.raise(1, finding.NoCurrent, 38.5)
	ids := d.tell(40)
	require.Len(t, ids, 1)
	require.Equal(t, alarm.OfSite, d.told[0].Cause.Scope)
	require.Equal(t, finding.NoCurrent, d.told[0].Cause.Kind)
	d.scene.Occurrences[0].Finding.To, d.scene.Occurrences[0].State = at(41), alarm.Returned
	require.Empty(t, d.tell(41), "one is left")
	d.scene.Occurrences[1].Finding.To, d.scene.Occurrences[1].State = at(42), alarm.Returned
	d.tell(42)
	require.Empty(t, d.tell(43))
	require.Empty(t, d.scene.Causes)
}

// A wet night over the county goes into the morning letter; the box that stays wet
// when the others are dry is told by itself.
func TestWetNightOverTheCounty(t *testing.T) {
	d := newDesk(t, "lake", "lake", "quay", "quay", "far", "")
	north, south, east := 61.0, 61.3, 24.0
	far := 65.0
	for i := range 2 {
		d.scene.Stations[i].Lat, d.scene.Stations[i].Lon = &north, &east
		d.scene.Stations[2+i].Lat, d.scene.Stations[2+i].Lon = &south, &east
	}
	d.scene.Stations[4].Lat, d.scene.Stations[4].Lon = &far, &east
	d.heardAll(12)
	for i := range 3 {
		d.raise(i, finding.BoardWet, 10+float64(i)/10)
	}
	d.raise(4, finding.BoardWet, 10)
	require.Empty(t, d.tell(10.5), "others of the same weather may follow")
	d.heardAll(12)
	ids := d.tell(12)
	require.Len(t, ids, 2)
	require.Equal(t, alarm.Weather, d.told[0].Cause.Scope)
	require.Equal(t, alarm.Letter, d.told[0].Class)
	require.Equal(t, alarm.Calm, d.told[0].Priority)
	require.Equal(t, []string{"s-00", "s-01", "s-02"}, d.told[0].Stations())
	require.Equal(t, "s-04:board_wet:4", ids[1], "230 km away is other weather")
	d.raise(3, finding.BoardWet, 11.5)
	d.heardAll(13)
	require.Empty(t, d.tell(13), "it is part of it")

	for _, i := range []int{0, 1, 4} {
		d.scene.Occurrences[i].Finding.To, d.scene.Occurrences[i].State = at(15), alarm.Returned
	}
	d.scene.Occurrences[3].Finding.To = at(15)
	d.heardAll(15)
	require.Empty(t, d.tell(15))
	d.heardAll(20)
	require.Empty(t, d.tell(20))
	d.heardAll(21)
	require.Equal(t, []string{"s-02:board_wet:3"}, d.tell(21), "the weather is over, and it is still wet")
}

// What comes back soon after people were told waits for the morning letter.
func TestRepeatWaitsForTheLetter(t *testing.T) {
	d := newDesk(t, "lake")
	d.heardAll(100)
	d.raise(0, finding.BoardWet, 98)
	d.raise(0, finding.NoCurrent, 98)
	d.scene.Told = map[alarm.ToldOf]unit.Instant{{Station: "s-00", Kind: finding.BoardWet}: at(20), {Station: "s-00", Kind: finding.NoCurrent}: at(20)}
	require.Len(t, d.tell(100), 2)
	require.Equal(t, alarm.Letter, d.told[0].Class)
	require.Equal(t, alarm.Calm, d.told[0].Priority)
	require.Equal(t, alarm.AtOnce, d.told[1].Class)
	d.scene.Occurrences[0].Told = false
	d.heardAll(200)
	d.tell(200)
	require.Equal(t, alarm.AtOnce, d.told[2].Class, "that is a week ago")
}

// What is wet for days is not the weather's any more.
func TestWeatherEnds(t *testing.T) {
	d := newDesk(t, "lake", "lake", "lake", "lake", "lake", "lake", "lake")
	d.heardAll(12)
	for i := range 3 {
		d.raise(i, finding.BoardWet, 10)
	}
	require.Len(t, d.tell(12), 1)
	d.heardAll(58)
	require.Empty(t, d.tell(58))
	d.heardAll(59)
	require.Empty(t, d.tell(59), "it ends")
	d.heardAll(65)
	require.Len(t, d.tell(65), 3)
	require.Equal(t, alarm.Letter, d.told[3].Class, "the letter told of it, and tells what became of it")

	d = newDesk(t, "lake", "lake", "lake", "lake", "lake") // fog for days: most are wet
	d.heardAll(12)
	for i := range 3 {
		d.raise(i, finding.BoardWet, 10)
	}
	require.Len(t, d.tell(12), 1)
	d.heardAll(80)
	require.Empty(t, d.tell(80))
	require.Zero(t, d.scene.Causes[0].To)
}

func TestMembersAreNamedOnce(t *testing.T) {
	m := alarm.Message{Members: []alarm.Occurrence{{Station: "b"}, {Station: "a"}, {Station: "b"}}}
	require.Equal(t, []string{"a", "b"}, m.Stations())
}

// What begins long after a common cause has one of its own, though the cause lasts
// on: a supply that broke in the outage keeps nobody from being told of the next.
func TestALongCauseHidesNothingNew(t *testing.T) {
	d := newDesk(t, "lake", "lake", "lake", "quay")
	d.heardAll(40)
	d.raise(0, finding.NoCurrent, 38)
	d.raise(1, finding.NoCurrent, 38.5)
	require.Len(t, d.tell(40), 1)
	d.scene.Occurrences[0].Finding.To, d.scene.Occurrences[0].State = at(45), alarm.Returned
	d.scene.Occurrences[1].State = alarm.Acknowledged // its supply is broken, and waits for a part
	d.heardAll(400)
	d.raise(2, finding.NoCurrent, 399)
	require.Equal(t, []string{"s-02:no_current:3"}, d.tell(400))
	require.Equal(t, alarm.Urgent, d.told[1].Priority)
	require.Equal(t, alarm.AtOnce, d.told[1].Class)
	require.Empty(t, d.tell(401))

	// The internet of a park is away for days; a station elsewhere falls silent.
	d = newDesk(t, "lake", "lake", "shore", "shore", "quay")
	d.heardAll(10)
	for i := range 4 {
		d.raise(i, finding.Silent, 10)
	}
	d.heard(13.1, 4)
	require.Len(t, d.tell(13.1), 1)
	require.Equal(t, alarm.Workshop, d.told[0].Cause.Scope)
	d.heard(50, 4)
	d.raise(4, finding.Silent, 50)
	require.Equal(t, []string{"s-04:silent:5"}, d.tell(53.1))
	require.Zero(t, d.scene.Causes[0].To, "and the cause lasts")
}

// What is put aside for a time comes back with its common cause too: who was to be
// left alone until then is told, once, by one message.
func TestACauseThatWasPutAsideComesBack(t *testing.T) {
	d := newDesk(t, "lake", "lake", "quay")
	d.heardAll(40)
	d.raise(0, finding.NoCurrent, 38)
	d.raise(1, finding.NoCurrent, 38.5)
	require.Len(t, d.tell(40), 1)
	holds := map[string][]alarm.Hold{}
	for _, o := range d.scene.Occurrences { // the grid's people come tomorrow
		holds[o.Station] = []alarm.Hold{{Station: o.Station, State: alarm.Shelved, From: at(40), Until: at(64), Who: "Ida", Why: "the grid's people come tomorrow"}}
	}
	settle := func(h float64) {
		for i := range d.scene.Occurrences {
			o := &d.scene.Occurrences[i]
			if c := alarm.Settle([]alarm.Occurrence{*o}, holds[o.Station], nil, at(h), at(h)); len(c.Occurrences) > 0 {
				*o = c.Occurrences[0]
			}
		}
	}
	settle(40)
	require.Equal(t, alarm.Shelved, d.scene.Occurrences[0].State)
	d.heardAll(63)
	require.Empty(t, d.tell(63))
	settle(64)
	require.Equal(t, alarm.Unacknowledged, d.scene.Occurrences[0].State)
	d.heardAll(64)
	require.Len(t, d.tell(64), 1, "it is tomorrow, and nobody came")
	require.Equal(t, alarm.OfSite, d.told[1].Cause.Scope)
	require.Equal(t, alarm.Urgent, d.told[1].Priority)
	require.Equal(t, []string{"s-00", "s-01"}, d.told[1].Stations())
	require.Empty(t, d.tell(65))
}
