package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sort"
	"strings"
	"text/tabwriter"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/store"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

type alarmCmd struct {
	List         alarmListCmd      `cmd:"" help:"List what needs a person, what is over and was not seen, and what is put aside."`
	Show         alarmShowCmd      `cmd:"" help:"Show one alarm with everything that became of it."`
	See          alarmSeeCmd       `cmd:"" help:"Say that somebody has seen alarms."`
	Reset        alarmResetCmd     `cmd:"" help:"End an alarm that stays until somebody has seen to it, as water inside."`
	PutAside     alarmPutAsideCmd  `cmd:"" help:"Keep a station's alarms of one kind quiet for a time, at most 30 days."`
	BringBack    alarmBringBackCmd `cmd:"" help:"Bring back what was put aside, before its time."`
	OutOfService alarmOutCmd       `cmd:"" help:"Keep a station's alarms quiet, all or those of one kind, until they are taken back into service."`
	InService    alarmInCmd        `cmd:"" help:"Take a station's alarms back into service."`
	Limits       alarmLimitsCmd    `cmd:"" help:"List priority, delays and time to respond of every kind of alarm."`
	SetLimit     alarmSetLimitCmd  `cmd:"" help:"Change a limit from now on; rehearse it first."`
	Rehearse     alarmRehearseCmd  `cmd:"" help:"Run past readings through changed limits: what would have been told, beside what was."`
	Quality      alarmQualityCmd   `cmd:"" help:"Measure the alarms of a month: how many, from where, how long until seen."`
}

func inAlarms(ctx context.Context, c *inStore, f func(a books.Alarms, now unit.Instant) error) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		return f(books.Alarms{AlarmStore: s}, unit.At(time.Now()))
	})
}

type alarmListCmd struct {
	inStore
	JSON  bool `name:"json" help:"One JSON object."`
	Check bool `help:"End with exit code 3 when something needs a person."`
}

// alarmJSON is an alarm as the commands print it.
type alarmJSON struct {
	ID        string             `json:"id"`
	Station   string             `json:"station"`
	Kind      finding.Kind       `json:"kind"`
	Number    int64              `json:"number"`
	State     alarm.State        `json:"state"`
	Screen    string             `json:"screen"` // new, seen or put aside
	Priority  alarm.Priority     `json:"priority"`
	From      unit.Instant       `json:"from"`
	To        *unit.Instant      `json:"to"`
	Concluded unit.Instant       `json:"concluded"`
	By        unit.Instant       `json:"by"`
	Told      bool               `json:"told"`
	Cause     int64              `json:"cause,omitempty"`
	Until     *unit.Instant      `json:"until"`
	Why       string             `json:"why,omitempty"`
	Evidence  []finding.Evidence `json:"evidence"`
	Events    []alarmEventJSON   `json:"events,omitempty"`
}

type alarmEventJSON struct {
	At       unit.Instant `json:"at"`
	Recorded unit.Instant `json:"recorded"`
	From     alarm.State  `json:"from"`
	To       alarm.State  `json:"to"`
	Who      string       `json:"who"`
	Why      string       `json:"why"`
}

func instantOrNull(t unit.Instant) *unit.Instant {
	if t == 0 {
		return nil
	}
	return &t
}

func alarmToJSON(a *books.Alarm) alarmJSON {
	f := &a.Finding
	out := alarmJSON{
		ID: a.ID(), Station: a.Station, Kind: f.Kind, Number: a.Number, State: a.State, Screen: a.Screen(), Priority: a.Priority,
		From: f.From, To: instantOrNull(f.To), Concluded: f.Concluded, By: a.By, Told: a.Told, Cause: a.Cause, Evidence: f.Evidence,
	}
	if out.Evidence == nil {
		out.Evidence = []finding.Evidence{}
	}
	if a.Hold != nil {
		out.Until, out.Why = instantOrNull(a.Hold.Until), a.Hold.Why
	}
	return out
}

// Run lists alarms.
func (c *alarmListCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		list, err := a.List(ctx, now)
		if err != nil {
			return err
		}
		if c.JSON {
			err = printAlarmsJSON(&list)
		} else {
			err = printAlarms(os.Stdout, &list)
		}
		if err == nil && c.Check && len(list.Needs) > 0 {
			return errFindings
		}
		return err
	})
}

func printAlarmsJSON(list *books.AlarmList) error {
	type holdJSON struct {
		Station string        `json:"station"`
		Kind    *string       `json:"kind"`
		State   alarm.State   `json:"state"`
		From    unit.Instant  `json:"from"`
		Until   *unit.Instant `json:"until"`
		Who     string        `json:"who"`
		Why     string        `json:"why"`
	}
	out := struct {
		Needs []alarmJSON `json:"needs"`
		Over  []alarmJSON `json:"over"`
		Aside []alarmJSON `json:"aside"`
		Holds []holdJSON  `json:"holds"`
	}{[]alarmJSON{}, []alarmJSON{}, []alarmJSON{}, []holdJSON{}}
	for to, from := range map[*[]alarmJSON][]books.Alarm{&out.Needs: list.Needs, &out.Over: list.Over, &out.Aside: list.Aside} {
		for i := range from {
			*to = append(*to, alarmToJSON(&from[i]))
		}
	}
	for i := range list.Holds {
		h := &list.Holds[i]
		j := holdJSON{Station: h.Station, State: h.State, From: h.From, Until: instantOrNull(h.Until), Who: h.Who, Why: h.Why}
		if kind := string(h.Kind); kind != "" {
			j.Kind = &kind
		}
		out.Holds = append(out.Holds, j)
	}
	return json.NewEncoder(os.Stdout).Encode(out)
}

func printAlarms(to io.Writer, list *books.AlarmList) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	for _, part := range []struct {
		name string
		list []books.Alarm
	}{{"needs a person", list.Needs}, {"over, not seen", list.Over}, {"put aside", list.Aside}} {
		for i := range part.list {
			a := &part.list[i]
			why := ""
			if a.Hold != nil {
				why = a.Hold.Why
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\tsince %s\tby %s\t%s\n", part.name, a.ID(), a.Screen(), a.Priority, a.Finding.From, a.By, why)
		}
	}
	for i := range list.Holds {
		h := &list.Holds[i]
		until := "until it is ended"
		if h.Until != 0 {
			until = "until " + h.Until.String()
		}
		what := h.Station
		if h.Kind != "" {
			what += ":" + string(h.Kind)
		}
		fmt.Fprintf(w, "quiet\t%s\t%s\t%s\tsince %s\tby %s\t%s\n", what, holdWords(h.State), until, h.From, h.Who, h.Why)
	}
	return w.Flush()
}

func holdWords(s alarm.State) string {
	switch s {
	case alarm.Shelved:
		return "put aside"
	case alarm.Suppressed:
		return "known reason"
	}
	return "out of service"
}

type alarmShowCmd struct {
	inStore
	ID   string `arg:"" help:"The alarm's id, from the list: station:kind:number."`
	JSON bool   `name:"json" help:"One JSON object."`
}

// Run shows an alarm.
func (c *alarmShowCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		x, events, err := a.Show(ctx, c.ID, now)
		if err != nil {
			return err
		}
		if c.JSON {
			out := alarmToJSON(&x)
			for _, e := range events {
				out.Events = append(out.Events, alarmEventJSON{e.At, e.Recorded, e.From, e.To, e.Who, e.Why})
			}
			return json.NewEncoder(os.Stdout).Encode(out)
		}
		w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintf(w, "alarm\t%s\nstate\t%s (%s)\npriority\t%s\nsince\t%s\nconcluded\t%s\nconfidence\t%.0f %%\nby\t%s\n", x.ID(), x.Screen(), x.State, x.Priority, x.Finding.From, x.Finding.Concluded, 100*x.Finding.Confidence, x.By)
		if x.Finding.To != 0 {
			fmt.Fprintf(w, "over\t%s\n", x.Finding.To)
		}
		for _, e := range x.Finding.Evidence {
			fmt.Fprintf(w, "%s\t%g %s\n", e.Name, e.Value, e.Unit)
		}
		for _, e := range events {
			fmt.Fprintf(w, "%s\t%s → %s\t%s\t%s\n", e.Recorded, e.From, e.To, e.Who, e.Why)
		}
		if err := w.Flush(); err != nil {
			return err
		}
		fmt.Println("\n" + words.Of(x.Finding.Kind).How)
		return nil
	})
}

// onAlarm is what commands have in common that change an alarm.
type onAlarm struct {
	inStore
	Why string `help:"Why."`
}

type alarmSeeCmd struct {
	onAlarm
	IDs []string `arg:"" name:"id" help:"Ids from the list: station:kind:number."`
}

// Run says that alarms were seen.
func (c *alarmSeeCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		for _, id := range c.IDs {
			if err := a.See(ctx, id, c.Why, c.Author, now); err != nil {
				return err
			}
			fmt.Println("seen:", id)
		}
		return nil
	})
}

type alarmResetCmd struct {
	onAlarm
	ID string `arg:"" help:"The alarm's id, from the list: station:kind:number."`
}

// Run resets a latched alarm.
func (c *alarmResetCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		return a.Reset(ctx, c.ID, c.Why, c.Author, now)
	})
}

type alarmPutAsideCmd struct {
	onAlarm
	ID    string        `arg:"" help:"station:kind, or an id from the list."`
	For   time.Duration `placeholder:"DURATION" xor:"until" help:"For how long, as 48h; at most 720h."`
	Until string        `placeholder:"TIME" xor:"until" help:"Until when, RFC 3339."`
}

// Run puts alarms aside.
func (c *alarmPutAsideCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		until := now.Add(c.For)
		if c.Until != "" {
			t, err := time.Parse(time.RFC3339, c.Until)
			if err != nil {
				return usageError{fmt.Errorf("--until %q: write an RFC 3339 time, as 2025-11-04T08:00:00Z", c.Until)}
			}
			until = unit.At(t)
		}
		if err := a.PutAside(ctx, c.ID, until, c.Why, c.Author, now); err != nil {
			return err
		}
		fmt.Println("put aside until", until)
		return nil
	})
}

type alarmBringBackCmd struct {
	onAlarm
	ID string `arg:"" help:"station:kind, or an id from the list."`
}

// Run brings alarms back.
func (c *alarmBringBackCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		return a.BringBack(ctx, c.ID, c.Why, c.Author, now)
	})
}

type alarmOutCmd struct {
	onAlarm
	ID string `arg:"" help:"station, or station:kind."`
}

// Run takes alarms out of service.
func (c *alarmOutCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		return a.OutOfService(ctx, c.ID, c.Why, c.Author, now)
	})
}

type alarmInCmd struct {
	onAlarm
	ID string `arg:"" help:"station, or station:kind."`
}

// Run takes alarms back into service.
func (c *alarmInCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		return a.InService(ctx, c.ID, c.Why, c.Author, now)
	})
}

type alarmLimitsCmd struct {
	inStore
	JSON bool `name:"json" help:"One JSON object."`
}

// Run lists limits.
func (c *alarmLimitsCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, _ unit.Instant) error {
		list, err := a.Limits(ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return printLimitsJSON(list)
		}
		w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "kind\tpriority\ton_delay\toff_delay\twait\trepeat\tdeadband\tconfidence\trespond\tlatched\tset here")
		for i := range list {
			l := &list[i]
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%g\t%g\t%s\t%t\t%s\n", l.Kind, l.Priority, l.OnDelay, l.OffDelay, l.Wait, l.Repeat,
				l.Deadband, l.Confidence, l.Respond, l.Latches, strings.Join(l.Changed, ", "))
		}
		return w.Flush()
	})
}

func printLimitsJSON(list []books.KindLimits) error {
	type limitsJSON struct {
		Kind       finding.Kind   `json:"kind"`
		Priority   alarm.Priority `json:"priority"`
		OnDelay    string         `json:"on_delay"`
		OffDelay   string         `json:"off_delay"`
		Wait       string         `json:"wait"`
		Repeat     string         `json:"repeat"`
		Deadband   float64        `json:"deadband"`
		Confidence float64        `json:"confidence"`
		Respond    string         `json:"respond"`
		Latched    bool           `json:"latched"`
		Set        []string       `json:"set"`
	}
	out := struct {
		Items []limitsJSON `json:"items"`
	}{[]limitsJSON{}}
	for i := range list {
		l := &list[i]
		out.Items = append(out.Items, limitsJSON{
			l.Kind, l.Priority, l.OnDelay.String(), l.OffDelay.String(), l.Wait.String(), l.Repeat.String(),
			l.Deadband, l.Confidence, l.Respond.String(), l.Latches, append([]string{}, l.Changed...),
		})
	}
	return json.NewEncoder(os.Stdout).Encode(out)
}

type alarmSetLimitCmd struct {
	inStore
	Limit string `arg:"" help:"kind.limit=value, as silent.off_delay=2h; alarm limits lists them."`
}

// Run sets a limit.
func (c *alarmSetLimitCmd) Run(ctx context.Context) error {
	name, value, ok := strings.Cut(c.Limit, "=")
	if !ok {
		return usageError{fmt.Errorf("%q: write kind.limit=value, as silent.off_delay=2h", c.Limit)}
	}
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		return a.SetLimit(ctx, name, value, c.Author, now)
	})
}

type alarmRehearseCmd struct {
	inStore
	From string            `required:"" placeholder:"TIME" help:"Beginning: a date (UTC) or an RFC 3339 time."`
	To   string            `placeholder:"TIME" help:"End. Default: now."`
	Set  map[string]string `placeholder:"KIND.LIMIT=VALUE" help:"A changed limit, as silent.allowed=6h or board_wet.on_delay=6h; may be given again. Limits: priority, on_delay, off_delay, wait, repeat, deadband, confidence of every kind, and silent.allowed. None: the limits in force."`
	JSON bool              `name:"json" help:"One JSON object."`
}

func timeFlag(name, text string, absent unit.Instant) (unit.Instant, error) {
	if text == "" {
		return absent, nil
	}
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		if t, err := time.Parse(layout, text); err == nil {
			return unit.At(t), nil
		}
	}
	return 0, usageError{fmt.Errorf("--%s %q: write a date, as 2025-11-04, or an RFC 3339 time, as 2025-11-04T08:00:00Z", name, text)}
}

// Run rehearses limits.
func (c *alarmRehearseCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		from, err1 := timeFlag("from", c.From, 0)
		to, err2 := timeFlag("to", c.To, now)
		if err := errors.Join(err1, err2); err != nil {
			return err
		}
		if c.Set == nil {
			c.Set = map[string]string{}
		}
		r, err := a.Rehearse(ctx, from, to, c.Set)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(r)
		}
		return printRehearsal(os.Stdout, &r)
	})
}

func printRehearsal(to io.Writer, r *books.Rehearsal) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	type row struct {
		told books.Told
		what string
	}
	var rows []row
	for _, t := range r.Was {
		rows = append(rows, row{t, "was told"})
	}
	for _, t := range r.Would {
		rows = append(rows, row{t, "would be"})
	}
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].told.At < rows[j].told.At })
	for _, x := range rows {
		how := "at once"
		if x.told.Class == alarm.Letter {
			how = "letter"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", x.told.At, x.what, how, x.told.Kind, x.told.Scope, strings.Join(x.told.Stations, ", "))
	}
	fmt.Fprintln(w, "\nkind\twas at once\twould be\twas in the letter\twould be")
	for _, k := range r.Kinds {
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\n", k.Kind, k.Was, k.Would, k.WasLetter, k.WouldLetter)
	}
	return w.Flush()
}

type alarmQualityCmd struct {
	inStore
	Month string `placeholder:"MONTH" help:"As 2025-11 (UTC). Default: the one before this."`
	JSON  bool   `name:"json" help:"One JSON object."`
}

// Run measures a month.
func (c *alarmQualityCmd) Run(ctx context.Context) error {
	return inAlarms(ctx, &c.inStore, func(a books.Alarms, now unit.Instant) error {
		from, to, err := books.Month(c.Month, now)
		if err != nil {
			return usageError{err}
		}
		q, err := a.Quality(ctx, from, to)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(q)
		}
		return printQuality(os.Stdout, &q)
	})
}

func printQuality(to io.Writer, q *alarm.Quality) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "from\t%s\nto\t%s\nalarms\t%d\nmessages at once\t%d, %.2f a day, at most %d in ten minutes\nin the letter only\t%d\n",
		q.From, q.To, q.Alarms, q.Messages, q.PerDay, q.Most, q.Letter)
	for _, p := range alarm.Priorities {
		fmt.Fprintf(w, "%s\t%d\n", p, q.Priorities[p])
	}
	for _, s := range q.Top {
		fmt.Fprintf(w, "often\t%s %s\t%d times\n", s.Station, s.Kind, s.Times)
	}
	for _, s := range q.Chattering {
		fmt.Fprintf(w, "comes and goes\t%s %s\t%d times in a week\n", s.Station, s.Kind, s.Times)
	}
	for _, s := range q.Stale {
		fmt.Fprintf(w, "overdue\t%s\tsince %s\n", s.ID, s.By)
	}
	fmt.Fprintf(w, "seen\t%d, not seen %d\n", q.Seen, q.Unseen)
	if q.SeenHalf != nil {
		fmt.Fprintf(w, "until seen\thalf within %.1f h, nine of ten within %.1f h\n", *q.SeenHalf, *q.SeenMost)
	}
	return w.Flush()
}
