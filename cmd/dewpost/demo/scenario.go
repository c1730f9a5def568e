package demo

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewpost/rules/boxsim"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// The invented scenario: Otter Lane Restorations looks after the holiday
// cottages of Larkmoor Lake Park and the terraces of Brackwater Quay. Ten
// weeks end on the morning of 26 October.
var end = time.Date(2026, 10, 26, 5, 10, 0, 0, time.UTC)

const (
	weeks    = 10
	interval = 10 * time.Minute
	history  = weeks * 7 * 24 * time.Hour
)

var begin = end.Add(-history)

// mended is when lake-02 was drained.
var mended = end.Add(-32*24*time.Hour + 5*time.Hour)

// site is a place with its weather.
type site struct {
	id, name, zone, salt string
	climate              boxsim.Climate
	seed                 uint64
	owner, line          string // ids
	supply, volts        string
}

var (
	lake = site{"larkmoor", "Larkmoor Lake Park", "EET", "none", boxsim.Lakeside(), 7, "park-office", "lake-line", "ac", "12"}
	quay = site{"brackwater", "Brackwater Quay", "CET", "coast", boxsim.Quayside(), 11, "harbour-trust", "quay-line", "dc", "24"}
)

// station is one station of the scenario.
type station struct {
	id, name, spot  string
	site            *site
	mounting, build string
	installed       string
	coverNew        string
	tau             float64       // breathing time, h
	board, cover    bool          // has these sensors
	quietFor        time.Duration // its history ends this long before the rest
	logger          bool          // nobody expects to hear from it
	fault           boxsim.Fault
}

func daysAgo(d float64) unit.Instant {
	return unit.At(end.Add(-time.Duration(d * 24 * float64(time.Hour))))
}

// stations lists the scenario: mostly healthy boxes, and one of each trouble
// that a box can have, whether it is concluded from the readings yet or not.
func stations() []station {
	const (
		coated, renewed, bare = "coated", "coated-new-cover", "uncoated"
		surface, flush, post  = "surface", "flush", "post"
	)
	return []station{
		{id: "lake-01", name: "Lake 01", spot: "reception", site: &lake, mounting: surface, build: renewed, installed: "2025-05-12", coverNew: "2025-05-01", tau: 62, board: true, cover: true},
		{id: "lake-02", name: "Lake 02", spot: "gatehouse", site: &lake, mounting: surface, build: renewed, installed: "2025-05-12", coverNew: "2024-05-01", tau: 44, board: true, fault: boxsim.Fault{Kind: boxsim.WaterInside, From: daysAgo(55), To: unit.At(mended), Size: 14}},
		{id: "lake-03", name: "Lake 03", spot: "cottage 3", site: &lake, mounting: surface, build: coated, installed: "2025-05-13", coverNew: "2019-06-01", tau: 38, board: true},
		{id: "lake-04", name: "Lake 04", spot: "cottage 4", site: &lake, mounting: flush, build: coated, installed: "2025-05-13", coverNew: "2018-06-01", tau: 50},
		{id: "lake-05", name: "Lake 05", spot: "sauna", site: &lake, mounting: surface, build: bare, installed: "2025-06-02", coverNew: "2016-06-01", tau: 30, board: true, fault: boxsim.Fault{Kind: boxsim.Leakage, From: daysAgo(40), Size: 40}},
		{id: "lake-06", name: "Lake 06", spot: "cottage 6", site: &lake, mounting: surface, build: renewed, installed: "2025-06-02", coverNew: "2025-06-01", tau: 70, board: true},
		{id: "lake-07", name: "Lake 07", spot: "boathouse wall", site: &lake, mounting: surface, build: coated, installed: "2026-05-14", coverNew: "2015-05-01", tau: 41, board: true, fault: boxsim.Fault{Kind: boxsim.WaterInside, From: daysAgo(5.6), Size: 12}},
		{id: "lake-08", name: "Lake 08", spot: "jetty", site: &lake, mounting: post, build: renewed, installed: "2026-05-14", coverNew: "2026-05-01", tau: 58, board: true},
		{id: "lake-09", name: "Lake 09", spot: "cottage 9", site: &lake, mounting: surface, build: coated, installed: "2025-07-20", coverNew: "2017-06-01", tau: 36},
		{id: "lake-10", name: "Lake 10", spot: "cottage 10", site: &lake, mounting: surface, build: coated, installed: "2025-07-20", coverNew: "2017-06-01", tau: 46, board: true},
		{id: "lake-11", name: "Lake 11", spot: "cottage 11", site: &lake, mounting: surface, build: renewed, installed: "2025-07-21", coverNew: "2025-07-01", tau: 66, board: true},
		{id: "lake-12", name: "Lake 12", spot: "kiosk", site: &lake, mounting: flush, build: coated, installed: "2025-07-21", coverNew: "2022-06-01", tau: 20, board: true, fault: boxsim.Fault{Kind: boxsim.WallAir, From: daysAgo(24), Size: 0.45}},
		{id: "lake-13", name: "Lake 13", spot: "cottage 13", site: &lake, mounting: surface, build: renewed, installed: "2025-08-03", coverNew: "2025-08-01", tau: 55},
		{id: "lake-14", name: "Lake 14", spot: "cottage 14", site: &lake, mounting: surface, build: coated, installed: "2025-08-03", coverNew: "2020-06-01", tau: 42, board: true},
		{id: "lake-15", name: "Lake 15", spot: "cottage 15", site: &lake, mounting: surface, build: coated, installed: "2025-08-04", coverNew: "2020-06-01", tau: 47, board: true, quietFor: 9 * time.Hour},

		{id: "quay-1", name: "Quay 1", spot: "terrace, south", site: &quay, mounting: surface, build: renewed, installed: "2025-09-15", coverNew: "2025-09-01", tau: 64, board: true, cover: true},
		{id: "quay-2", name: "Quay 2", spot: "terrace, south", site: &quay, mounting: surface, build: coated, installed: "2025-09-15", coverNew: "2018-09-01", tau: 40, board: true, fault: boxsim.Fault{Kind: boxsim.CurrentStep, From: daysAgo(0.11), Size: 24}},
		{id: "quay-3", name: "Quay 3", spot: "terrace, north", site: &quay, mounting: surface, build: coated, installed: "2026-05-20", coverNew: "2013-05-01", tau: 41, board: true, fault: boxsim.Fault{Kind: boxsim.CrackedCover, From: daysAgo(16), Size: 2}},
		{id: "quay-4", name: "Quay 4", spot: "harbour steps", site: &quay, mounting: post, build: renewed, installed: "2026-05-20", coverNew: "2026-05-01", tau: 52, board: true},
		{id: "quay-5", name: "Quay 5", spot: "net loft", site: &quay, mounting: surface, build: coated, installed: "2025-10-06", coverNew: "2019-09-01", tau: 35},
		{id: "quay-6", name: "Quay 6", spot: "chandlery", site: &quay, mounting: surface, build: coated, installed: "2025-10-06", coverNew: "2019-09-01", tau: 45, board: true, fault: boxsim.Fault{Kind: boxsim.SensorCreep, From: daysAgo(35), Size: 8}},
		{id: "quay-7", name: "Quay 7", spot: "terrace, west", site: &quay, mounting: surface, build: renewed, installed: "2025-10-07", coverNew: "2025-10-01", tau: 60, board: true},
		{id: "quay-8", name: "Quay 8", spot: "terrace, west", site: &quay, mounting: surface, build: coated, installed: "2025-10-07", coverNew: "2021-09-01", tau: 48, board: true},
		{id: "quay-9", name: "Quay 9", spot: "garden post, logger only", site: &quay, mounting: post, build: renewed, installed: "2026-06-01", coverNew: "2026-06-01", tau: 61, logger: true, quietFor: 12 * 24 * time.Hour},
	}
}

// box is the simulated box of a station.
func (st *station) box() boxsim.Box {
	return boxsim.Box{
		TauH: st.tau, ThermalTauMin: 25, SkyCoolingK: 4.5, SelfHeatK: 0.6, SunGainK: 10, StandbyMA: 11.9, Noise: 1,
		HasBoard: st.board, HasCover: st.cover, HasOutside: st.cover, HasLine: !st.logger,
	}
}

// facts are what the workshop knows of the station and its sensor.
func (st *station) facts(now unit.Instant) []fact.Fact {
	values := map[string]string{
		fact.Name: st.name, fact.Spot: st.spot, fact.Site: st.site.id,
		fact.Mounting: st.mounting, fact.Build: st.build, fact.Installed: st.installed, fact.CoverNew: st.coverNew,
		fact.Interval: interval.String(),
	}
	channels := "inside_temp_c,inside_rh_pct"
	if st.board {
		channels += ",board_temp_c"
	}
	if st.cover {
		channels += ",cover_temp_c,outside_temp_c,outside_rh_pct"
	}
	values[fact.Board], values[fact.BoardFitted] = "new", st.installed
	if st.build == "coated" {
		values[fact.Board], values[fact.BoardGrade] = "used", "b"
	}
	if st.logger {
		values[fact.AllowedSilence] = "720h"
	} else {
		values[fact.Line], values[fact.Wires] = st.site.line, "4"
		values[fact.Address] = st.id[strings.LastIndexByte(st.id, '-')+1:]
		channels += ",line_current_ma"
	}
	sensor := fact.Subject{Kind: fact.KindSensor, ID: "s-" + st.id}
	return append(factsOf(fact.Subject{Kind: fact.KindStation, ID: st.id}, values, now),
		factsOf(sensor, map[string]string{fact.Station: st.id, fact.Channels: channels, fact.Model: "simulated"}, now)...)
}

// facts are what the workshop knows of the site, its owner and its line.
func (s *site) facts(now unit.Instant) []fact.Fact {
	return slices.Concat(
		factsOf(fact.Subject{Kind: fact.KindOwner, ID: s.owner}, map[string]string{fact.Name: "The owners of " + s.name, fact.Consent: "2025-05-02"}, now),
		factsOf(fact.Subject{Kind: fact.KindSite, ID: s.id}, map[string]string{
			fact.Name: s.name, fact.Owner: s.owner, fact.Zone: s.zone, fact.Salt: s.salt, fact.Sun: "part",
			fact.Lat: fmt.Sprint(s.climate.Lat), fact.Lon: fmt.Sprint(s.climate.Lon),
		}, now),
		factsOf(fact.Subject{Kind: fact.KindLine, ID: s.line}, map[string]string{fact.Site: s.id, fact.Supply: s.supply, fact.SupplyV: s.volts}, now))
}

func factsOf(subject fact.Subject, values map[string]string, now unit.Instant) []fact.Fact {
	var out []fact.Fact
	for name, value := range values {
		out = append(out, fact.Fact{
			Subject: subject, Name: name, Value: value, From: fact.Always,
			Author: workshop, Recorded: now,
		})
	}
	return out
}
