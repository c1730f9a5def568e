// Package importer puts logs from elsewhere into the record: the log of a box
// without a network into that of its station, observed weather into that of a
// site. Logs are read as assess reads them; what they say is kept by the rules
// of the wire.
//
// A log is read twice. The first time all of it is checked, so that a line that
// can't be read leaves nothing half-written; the second time it goes to the
// store in bounded batches. An import that was cut off is completed by importing
// the same log again: what is there already is recognised.
package importer

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/assess"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Store is what an import reads and writes.
type Store interface {
	Station(ctx context.Context, id string) (record.Station, error)
	Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error)
	AddFacts(ctx context.Context, facts []fact.Fact) error
	Span(ctx context.Context, station string) (first, last unit.Instant, ok bool, err error)
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
	AwaitsTime(ctx context.Context, station string, due unit.Instant, raw []byte) (bool, error)
	FrozenBefore(ctx context.Context, station string) (unit.Instant, error)
	BeginImport(ctx context.Context, station string, at unit.Instant, author string) error
	Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error)

	Sites(ctx context.Context) ([]string, error)
	Weather(ctx context.Context, site string, from, to unit.Instant) ([]record.Weather, error)
	BeginWeather(ctx context.Context, site string, source record.WeatherSource, at unit.Instant, author string) error
	AddWeather(ctx context.Context, site, source string, rows []record.Weather, replace bool) (record.WeatherOutcome, error)
}

// Log is a log and how to read it.
type Log struct {
	From    io.ReadSeeker // read from its beginning, twice
	Options logfile.Options
	DryRun  bool // say what would be done, and write nothing
	At      unit.Instant
	Author  string
}

// Readings says what became of a log of readings, or, after a dry run, what
// would. Rows = Stored + Repeated + Ahead + TooLate.
type Readings struct {
	Station       string         `json:"station"`
	DryRun        bool           `json:"dry_run"`
	Rows          int            `json:"rows"`
	From          *unit.Instant  `json:"from"` // null without rows
	To            *unit.Instant  `json:"to"`
	SpanH         float64        `json:"span_h"` // hours from first to last
	Stored        int            `json:"stored"`
	Repeated      int            `json:"repeated"`       // in the record already, or twice in the log
	Ahead         int            `json:"ahead"`          // in quarantine until their time is reached
	TooLate       int            `json:"too_late"`       // in quarantine for good: readings of that time were let go, and its hours stay as they are
	RefusedValues map[string]int `json:"refused_values"` // out of range, by channel; their rows stay
	Ignored       []string       `json:"ignored"`        // columns
	MaxGap        MaxGap         `json:"max_gap"`
}

// MaxGap is the longest step between readings that counts as known.
type MaxGap struct {
	LogS     float64 `json:"log_s"`     // seconds; what assess takes for this log
	StationS float64 `json:"station_s"` // what holds for the station when the log begins
	Recorded bool    `json:"recorded"`  // the station had neither readings nor such a fact: the log's was recorded
}

// ErrAhead is returned for a log all of whose rows lie ahead.
var ErrAhead = errors.New("every row lies ahead of this machine's clock")

// errShrunk is for a log that is another one the second time.
var errShrunk = errors.New("the log changed while it was read: import it again")

// ImportReadings puts a log into a station's record. Each row is a reading
// without run and seq, as from a device without a spool: new unless the station
// has the same content at the same instant. Rows that lie ahead of At by more
// than reading.Ahead go to quarantine until their time is reached, those of frozen
// hours for good.
func ImportReadings(ctx context.Context, s Store, station string, log Log) (Readings, error) {
	st, err := s.Station(ctx, station)
	switch {
	case errors.Is(err, record.ErrNotFound):
		return Readings{}, fmt.Errorf("station %s: %w: enrol it first", station, err)
	case err != nil:
		return Readings{}, err
	case st.Retired != 0:
		return Readings{}, fmt.Errorf("station %s: %w since %s: its record is closed", station, record.ErrRetired, st.Retired)
	}
	in := readings{ctx: ctx, store: s, log: log, out: Readings{Station: station, DryRun: log.DryRun}}
	if err := in.check(); err != nil {
		return Readings{}, err
	}
	if err := in.maxGap(); err != nil {
		return Readings{}, err
	}
	if log.DryRun {
		in.out.Stored += distinct(in.fresh)
		in.out.Repeated = in.out.Rows - in.out.Stored - in.out.Ahead - in.out.TooLate
		return in.out, nil
	}
	if err := s.BeginImport(ctx, station, log.At, log.Author); err != nil {
		return Readings{}, err
	}
	return in.out, in.write()
}

// readings is an import of readings under way.
type readings struct {
	ctx   context.Context
	store Store
	log   Log
	out   Readings

	first   []unit.Instant // of the log, to propose a longest step
	refused []int          // values, by channel
	fresh   []uint64       // hashes of the rows that a dry run would store
	ahead   []uint64       // and of those that would go to quarantine
	late    []uint64       // and would stay there

	frozen unit.Instant // hours before this are frozen; 0: none
}

// check reads all of the log and, on a dry run, compares it with what is
// stored.
func (in *readings) check() (err error) {
	if in.frozen, err = in.store.FrozenBefore(in.ctx, in.out.Station); err != nil {
		return err
	}
	from, to := unit.Instant(math.MaxInt64), unit.Instant(math.MinInt64)
	got, err := in.log.read(0, func(opt logfile.Options) (*logfile.Log, error) {
		return logfile.Read(in.log.From, opt, func(rows []reading.Reading) error {
			for i := range rows {
				from, to = min(from, rows[i].Time), max(to, rows[i].Time)
				if in.isAhead(&rows[i]) {
					in.out.Ahead++
				}
			}
			in.note(rows)
			if !in.log.DryRun {
				return in.ctx.Err()
			}
			return in.compare(rows)
		})
	})
	if err != nil {
		return err
	}
	in.out.Rows, in.out.Ignored, in.refused = got.Rows, append([]string{}, got.Ignored...), got.Refused
	in.out.RefusedValues = byName(got.Refused, func(c int) string { return reading.Channel(c).Name() })
	if got.Rows == 0 {
		return nil
	}
	in.out.From, in.out.To, in.out.SpanH = &from, &to, to.Sub(from).Hours()
	if in.out.Ahead == got.Rows {
		return fmt.Errorf("%s: %w (%s): correct its times, or that clock", in.log.Options.Name, ErrAhead, in.log.At)
	}
	if in.log.DryRun {
		in.out.Ahead, in.out.TooLate = distinct(in.ahead), distinct(in.late)
	}
	return nil
}

// read reads the log from its beginning; half is 0 the first time, 1 the
// second.
func (log *Log) read(half int64, f func(logfile.Options) (*logfile.Log, error)) (*logfile.Log, error) {
	if _, err := log.From.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("read %s from its beginning: %w", log.Options.Name, err)
	}
	opt := log.Options
	if opt.Progress != nil && !log.DryRun {
		whole, err := log.From.Seek(0, io.SeekEnd)
		if err == nil {
			_, err = log.From.Seek(0, io.SeekStart)
		}
		if err != nil {
			return nil, fmt.Errorf("find the size of %s: %w", log.Options.Name, err)
		}
		opt.Progress = func(read int64) { log.Options.Progress((half*whole + read) / 2) }
	}
	return f(opt)
}

func byName(counts []int, name func(int) string) map[string]int {
	named := make(map[string]int)
	for i, n := range counts {
		if n > 0 {
			named[name(i)] = n
		}
	}
	return named
}

func (in *readings) isAhead(r *reading.Reading) bool { return r.Time > in.log.At.Add(reading.Ahead) }

// note keeps the log's first instants, in whatever order its rows stand.
func (in *readings) note(rows []reading.Reading) {
	for i := range rows {
		t := rows[i].Time
		n := len(in.first)
		if n == assess.GapInstants && t >= in.first[n-1] {
			continue
		}
		if at, there := slices.BinarySearch(in.first, t); !there {
			in.first = slices.Insert(in.first, at, t)
			in.first = in.first[:min(len(in.first), assess.GapInstants)]
		}
	}
}

// compare finds rows that are not stored.
func (in *readings) compare(rows []reading.Reading) error {
	order := func(a, b reading.Reading) int { return cmp.Compare(a.Time, b.Time) }
	if !slices.IsSortedFunc(rows, order) {
		slices.SortStableFunc(rows, order)
	}
	const day = 24 * time.Hour
	for len(rows) > 0 {
		from := rows[0].Time.Floor(day)
		n := 1
		for n < len(rows) && rows[n].Time < from.Add(day) {
			n++
		}
		if err := in.compareDay(rows[:n]); err != nil {
			return err
		}
		rows = rows[n:]
	}
	return in.ctx.Err()
}

func (in *readings) compareDay(rows []reading.Reading) error {
	stored, err := in.store.Readings(in.ctx, in.out.Station, rows[0].Time, rows[len(rows)-1].Time+1)
	if err != nil {
		return err
	}
	unkeyed := make(map[reading.Reading]struct{}, len(stored))
	for i := range stored {
		if !stored[i].Keyed() {
			unkeyed[stored[i]] = struct{}{}
		}
	}
	for i := range rows {
		r := &rows[i]
		if in.isAhead(r) {
			line := in.line(r)
			waits, err := in.store.AwaitsTime(in.ctx, in.out.Station, r.Time, line)
			if err != nil {
				return err
			}
			if !waits {
				in.ahead = append(in.ahead, hash(line))
			}
			continue
		}
		if _, ok := unkeyed[*r]; ok {
			continue
		}
		row := hash(reading.AppendCanonical(nil, in.out.Station, r))
		if in.frozen != 0 && r.Time < in.frozen {
			in.late = append(in.late, row)
		} else {
			in.fresh = append(in.fresh, row)
		}
	}
	return nil
}

// line returns the row as a device without a spool would have sent it.
func (in *readings) line(r *reading.Reading) []byte {
	b, err := reading.AppendLine(nil, in.out.Station, r, 0)
	if err != nil {
		// A row without a value, which line protocol can't say.
		b = reading.AppendCanonical(nil, in.out.Station, r)
	}
	return bytes.TrimSuffix(b, []byte{'\n'})
}

// maxGap finds the longest step that counts as known and, where there was
// nothing yet that it would change, records the log's.
func (in *readings) maxGap() error {
	subject := fact.Subject{Kind: fact.KindStation, ID: in.out.Station}
	facts, err := in.store.Facts(in.ctx, subject)
	if err != nil {
		return err
	}
	ofLog, ofStation := assess.MaxGap(in.first), exposure.DefaultMaxGap
	if len(in.first) > 0 {
		if d, ok := fact.DurationAt(facts, fact.MaxGap, in.first[0]); ok {
			ofStation = d
		}
	}
	known := slices.ContainsFunc(facts, func(f fact.Fact) bool { return f.Name == fact.MaxGap })
	_, _, heard, err := in.store.Span(in.ctx, in.out.Station)
	if err != nil {
		return err
	}
	say := fact.Fact{
		Subject: subject, Name: fact.MaxGap, From: fact.Always, Value: ofLog.String(), Author: in.log.Author, Recorded: in.log.At,
	}
	in.out.MaxGap = MaxGap{LogS: ofLog.Seconds(), StationS: ofStation.Seconds()}
	if known || heard || ofLog == ofStation || fact.Validate(say) != nil {
		return nil
	}
	in.out.MaxGap.StationS, in.out.MaxGap.Recorded = ofLog.Seconds(), true
	if in.log.DryRun {
		return nil
	}
	return in.store.AddFacts(in.ctx, []fact.Fact{say})
}

// write puts the log into the store.
func (in *readings) write() error {
	in.out.Ahead = 0
	got, err := in.log.read(1, func(opt logfile.Options) (*logfile.Log, error) {
		return logfile.Read(in.log.From, opt, in.commit)
	})
	if err != nil {
		return err
	}
	if got.Rows != in.out.Rows {
		return errShrunk
	}
	return nil
}

// commit stores a block of rows.
func (in *readings) commit(rows []reading.Reading) error {
	if err := in.ctx.Err(); err != nil {
		return err
	}
	a := record.Arrival{Station: in.out.Station, At: in.log.At}
	b := &a.Batch
	copy(b.RefusedValues[:], in.refused)
	in.refused = nil // all of them came with the first block
	b.Readings = rows[:0]
	for i := range rows {
		r := rows[i]
		if !in.isAhead(&r) {
			b.Readings = append(b.Readings, r)
			continue
		}
		b.Refused = append(b.Refused, reading.Refusal{
			Reason: reading.ReasonTime, Raw: in.line(&r), Reading: &r,
			Detail: fmt.Sprintf("imported row with time %s: more than %s after the collector's clock (%s); it is stored when its time is reached", r.Time, reading.Ahead, in.log.At),
		})
	}
	outcomes, err := in.store.Commit(in.ctx, []record.Arrival{a})
	if err != nil {
		return err
	}
	o := &outcomes[0]
	if o.Refused-o.TooLate > len(b.Refused) {
		return fmt.Errorf("station %s: %w since this import began: %d rows are in quarantine", in.out.Station, record.ErrRetired, o.Refused)
	}
	in.out.Stored += o.Stored
	in.out.Repeated += o.Repeated
	in.out.Ahead += o.Refused - o.TooLate
	in.out.TooLate += o.TooLate
	return nil
}
