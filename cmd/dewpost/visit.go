package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

type visitCmd struct {
	Add       visitAddCmd       `cmd:"" help:"Plan a visit, or a stay of a unit at the bench."`
	List      visitListCmd      `cmd:"" help:"List visits, the newest number first."`
	Show      visitShowCmd      `cmd:"" help:"Show all of a visit."`
	State     visitStateCmd     `cmd:"" help:"Say how far a visit is."`
	Find      visitFindCmd      `cmd:"" help:"Write down what was found."`
	Work      visitWorkCmd      `cmd:"" help:"Write down what was done; what it says of the station is recorded with it."`
	Outcome   visitOutcomeCmd   `cmd:"" help:"Write down what came of a finding, and why; one that is closed has its alarm seen."`
	Use       visitUseCmd       `cmd:"" help:"Take parts out of a lot for a visit."`
	Photo     visitPhotoCmd     `cmd:"" help:"Keep a photo, JPEG or PNG, without where and by whom it was taken."`
	Symptom   visitSymptomCmd   `cmd:"" help:"Write down what people noticed at a station, or list it."`
	Card      visitCardCmd      `cmd:"" help:"Write down a test card from a file, or show the newest, or a blank one with what is known."`
	JobCard   visitJobCardCmd   `cmd:"" help:"Print the job card of a visit or bench job as PDF."`
	Load      visitLoadCmd      `cmd:"" help:"Print what goes along on a day as PDF: visits, parts, tools."`
	Calendar  visitCalendarCmd  `cmd:"" help:"Visits as a calendar that other programs read."`
	Jar       visitJarCmd       `cmd:"" help:"Write down a step in the humid jar."`
	Baselines visitBaselinesCmd `cmd:"" help:"List the times that a station's later openness is compared with."`
	Done      visitDoneCmd      `cmd:"" help:"Say that a visit is done."`
	Record    visitRecordCmd    `cmd:"" help:"Write down everything at once from a JSON file, with the fields of the API's visits: all of it, or nothing."`
}

// atVisits is what commands on visits have in common.
type atVisits struct{ inStore }

func (c *atVisits) with(ctx context.Context, f func(books.Visits) error) error {
	return c.inStore.with(ctx, func(s *store.Store, _ collector.Config) error { return f(books.Visits{VisitStore: s}) })
}

// record writes down what a file says, and says so.
func (c *atVisits) record(ctx context.Context, f *books.VisitFile, try bool) error {
	return c.with(ctx, func(v books.Visits) error { return c.write(ctx, v, f, try) })
}

func (c *atVisits) write(ctx context.Context, v books.Visits, f *books.VisitFile, try bool) error {
	number, err := v.Record(ctx, f, unit.At(time.Now()), c.Author, try)
	switch {
	case errors.Is(err, record.ErrOnlyTried):
		fmt.Println("nothing was changed: all of it can be written down")
		return nil
	case err != nil:
		return err
	case number == 0:
		fmt.Printf("recorded of station %s\n", f.Station)
		return nil
	}
	fmt.Printf("visit %d\n", number)
	for _, s := range f.States {
		if s.State == bench.UnderWay || s.State == bench.OnBench {
			return c.cautions(ctx, v, number)
		}
	}
	return nil
}

// cautions tells whoever begins what can hurt.
func (c *atVisits) cautions(ctx context.Context, v books.Visits, number int64) error {
	d, err := v.Visit(ctx, number)
	if err != nil {
		return err
	}
	for _, text := range books.CautionsOf(&d) {
		fmt.Fprintln(os.Stderr, "Caution:", text)
	}
	return nil
}

func printJSON(v any) error {
	e := json.NewEncoder(os.Stdout)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

type visitAddCmd struct {
	atVisits
	Station string     `arg:"" help:"The station's id."`
	Kind    bench.Kind `required:"" enum:"on-site,local-installer,photos,send-in" help:"on-site, local-installer, photos or send-in."`
	Planned string     `placeholder:"DATE" help:"For which day."`
	Who     string     `help:"Who goes, or has the unit on the bench."`
	Why     []string   `placeholder:"KIND/NUMBER" help:"Finding that leads to it, as in board_wet/3."`
	WhyText string     `placeholder:"TEXT" help:"Or why in words."`
}

// Run adds the visit.
func (c *visitAddCmd) Run(ctx context.Context) error {
	f := books.VisitFile{Station: c.Station, Kind: c.Kind, Who: &c.Who, Planned: &c.Planned, WhyText: c.WhyText}
	for _, w := range c.Why {
		of, err := causeOf("--why", w)
		if err != nil {
			return err
		}
		f.Why = append(f.Why, of)
	}
	return c.record(ctx, &f, false)
}

// causeOf reads a finding as a person names it.
func causeOf(name, text string) (books.CauseFile, error) {
	kind, number, _ := strings.Cut(text, "/")
	n, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return books.CauseFile{}, usageError{fmt.Errorf("%s %q: write KIND/NUMBER, as in board_wet/3", name, text)}
	}
	return books.CauseFile{Kind: finding.Kind(kind), Number: n}, nil
}

type visitListCmd struct {
	atVisits
	Station string `placeholder:"ID" help:"Of this station only."`
	State   string `placeholder:"STATE" help:"In this state only."`
	Open    bool   `help:"Only those about which something is to be done."`
	From    string `placeholder:"DATE" help:"Those that began, or are planned, from this day on, in UTC."`
	To      string `placeholder:"DATE" help:"And before this day."`
	Before  int64  `placeholder:"N" help:"Numbers below this one: goes on where a list ended."`
	Limit   int    `default:"100" help:"At most so many."`
	JSON    bool   `name:"json" help:"One JSON object."`
}

// Run lists visits.
func (c *visitListCmd) Run(ctx context.Context) error {
	want := record.VisitQuery{Station: c.Station, State: bench.State(c.State), Open: c.Open, Before: c.Before, Limit: c.Limit}
	if c.Limit < 1 || c.Before < 0 {
		return usageError{errors.New("--limit and --before are numbers from 1 on")}
	}
	if c.State != "" {
		if err := bench.CheckState(want.State); err != nil {
			return usageError{err}
		}
	}
	for _, d := range []struct {
		flag, value string
		to          *unit.Instant
	}{{"--from", c.From, &want.From}, {"--to", c.To, &want.To}} {
		if d.value == "" {
			continue
		}
		t, err := time.Parse(time.DateOnly, d.value)
		if err != nil {
			return usageError{fmt.Errorf("%s %q: write a date, such as 2025-04-30", d.flag, d.value)}
		}
		*d.to = unit.At(t)
	}
	return c.with(ctx, func(v books.Visits) error {
		if err := v.Known(ctx, want.Station); err != nil {
			return err
		}
		list, err := v.Visits(ctx, want)
		if err != nil {
			return err
		}
		if c.JSON {
			return printVisits(list, c.Limit)
		}
		for i := range list {
			fmt.Println(visitLine(&list[i]))
		}
		if len(list) == c.Limit {
			fmt.Fprintf(os.Stderr, "There may be more: go on with --before %d\n", list[len(list)-1].Number)
		}
		return nil
	})
}

func printVisits(list []record.Visit, limit int) error {
	out := struct {
		Items []books.VisitHead `json:"items"`
		Next  int64             `json:"next,omitempty"` // for --before
	}{Items: []books.VisitHead{}}
	for i := range list {
		out.Items = append(out.Items, books.HeadOf(&list[i]))
	}
	if len(list) == limit {
		out.Next = list[len(list)-1].Number
	}
	return printJSON(out)
}

func visitLine(v *record.Visit) string {
	when := "no day set"
	switch {
	case v.Ended != 0:
		when = "ended " + v.Ended.String()
	case v.Began != 0:
		when = "began " + v.Began.String()
	case v.Planned != "":
		when = "planned for " + v.Planned
	}
	line := fmt.Sprintf("%d\t%s\t%s\t%s\t%s", v.Number, v.Station, v.Kind, v.State, when)
	if v.Who != "" {
		line += "\t" + v.Who
	}
	return line
}

type visitShowCmd struct {
	atVisits
	Visit int64 `arg:"" help:"The visit's number."`
	JSON  bool  `name:"json" help:"One JSON object, as in the API."`
}

// Run shows the visit.
func (c *visitShowCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(v books.Visits) error {
		d, err := v.Visit(ctx, c.Visit)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(books.VisitOf(&d, true))
		}
		showVisit(&d)
		return nil
	})
}

func showVisit(d *record.VisitDetails) {
	fmt.Println(visitLine(&d.Visit))
	for _, w := range d.Why {
		fmt.Printf("why\t%s number %d\n", w.Kind, w.Number)
	}
	if d.WhyText != "" {
		fmt.Printf("why\t%s\n", d.WhyText)
	}
	for _, s := range d.Steps {
		note := s.Note
		if s.WithoutCard != "" {
			note = strings.TrimSpace(note + " Without a passed test card: " + s.WithoutCard)
		}
		fmt.Println(visitEntry("state", s.At, string(s.State), note, s.Entry))
	}
	for i := range d.Findings {
		f := &d.Findings[i]
		fmt.Println(visitEntry("found", f.At, strings.Join(f.Words(), ", "), f.Note, f.Entry))
	}
	for i := range d.Outcomes {
		o := &d.Outcomes[i]
		fmt.Println(visitEntry("outcome", o.At, fmt.Sprintf("%s number %d: %s", o.Kind, o.Number, o.Outcome), o.Reason, o.Entry))
	}
	for i := range d.Work {
		w := &d.Work[i]
		fmt.Println(visitEntry("done", w.At, strings.Join(w.Words(), ", "), w.Note, w.Entry))
	}
	for _, p := range d.Parts {
		fmt.Printf("part\t%d of %s, lot %d\tby %s, %s\n", p.Quantity, p.Kind, p.Lot, p.Author, p.Recorded)
	}
	for _, p := range d.Photos {
		fmt.Printf("photo\t%d\t%s\t%d × %d px, %d bytes\tby %s, %s\n", p.ID, p.Caption, p.Width, p.Height, p.Size, p.Author, p.Recorded)
	}
	for _, j := range d.Jars {
		end := "still in it"
		if j.End != 0 {
			end = "to " + j.End.String()
		}
		fmt.Printf("jar\t%s %s\t%s\tby %s, %s\n", j.Begin, end, j.Inside, j.Author, j.Recorded)
	}
	for i := range d.Cards {
		k := &d.Cards[i]
		fmt.Println(visitEntry("card", k.At, string(k.Result.Verdict), strings.Join(k.Result.Reasons(), "; "), k.Entry))
	}
	for i := range d.Symptoms {
		fmt.Println(symptomLine(&d.Symptoms[i]))
	}
}

func visitEntry(what string, at unit.Instant, text, note string, e record.Entry) string {
	line := fmt.Sprintf("%s\t%s\t%s", what, at, text)
	if note != "" {
		line += "\t" + strings.Join(strings.Fields(note), " ")
	}
	return line + fmt.Sprintf("\tby %s, %s", e.Author, e.Recorded)
}

func symptomLine(s *record.Symptom) string {
	line := fmt.Sprintf("symptom\t%s", s.Kind)
	for _, part := range []struct{ before, text string }{{"", s.Note}, {"since ", s.Since}, {"said by ", s.ReportedBy}} {
		if part.text != "" {
			line += "\t" + part.before + strings.Join(strings.Fields(part.text), " ")
		}
	}
	return line + fmt.Sprintf("\tby %s, %s", s.Author, s.Recorded)
}

// stateFlags are those of a change of state.
type stateFlags struct {
	At          string `placeholder:"TIME" help:"When, in RFC 3339 or a date. Default: now."`
	Note        string `help:"Anything to say with it."`
	WithoutCard string `placeholder:"REASON" help:"Why a unit whose board was worked on goes without a passed test card. It is kept."`
}

func (f *stateFlags) file(visit int64, state bench.State) *books.VisitFile {
	return &books.VisitFile{Visit: visit, States: []books.StateFile{{State: state, At: f.At, Note: f.Note, WithoutCard: f.WithoutCard}}}
}

type visitStateCmd struct {
	atVisits
	Visit   int64       `arg:"" help:"The visit's number."`
	State   bench.State `arg:"" help:"planned, agreed, under-way, done or called-off; of a send-in also posted, arrived, on-bench, sent-back."`
	Planned *string     `placeholder:"DATE" help:"Plan it for another day with it."`
	Who     *string     `help:"Name who goes with it."`
	stateFlags
}

// Run changes the state.
func (c *visitStateCmd) Run(ctx context.Context) error {
	f := c.file(c.Visit, c.State)
	f.Planned, f.Who = c.Planned, c.Who
	return c.record(ctx, f, false)
}

type visitDoneCmd struct {
	atVisits
	Visit int64 `arg:"" help:"The visit's number."`
	stateFlags
}

// Run ends the visit.
func (c *visitDoneCmd) Run(ctx context.Context) error {
	return c.record(ctx, c.file(c.Visit, bench.Done), false)
}

type visitFindCmd struct {
	atVisits
	Visit     int64             `arg:"" help:"The visit's number."`
	Moisture  bench.Moisture    `help:"dry, damp or water."`
	WaterML   *int64            `name:"water-ml" placeholder:"ML" help:"Water that was drained, in ml."`
	Corrosion map[string]string `placeholder:"PLACE=GRADE" help:"Grade none, trace, moderate or severe at board, contacts, connector, terminals, keypad, lamp, speaker, microphone, address-switch, cable-entry, screws or other."`
	Cover     bench.Condition   `help:"sound, crazed, cracked or missing."`
	Gasket    bench.Condition   `help:"sound, hard, torn or missing."`
	Coating   bench.Condition   `help:"whole, lifted or bare-spots."`
	Note      string            `help:"Anything else."`
	At        string            `placeholder:"TIME" help:"When, in RFC 3339 or a date. Default: now."`
}

// Run writes the findings down.
func (c *visitFindCmd) Run(ctx context.Context) error {
	f := books.FindingFile{
		At: c.At, Moisture: c.Moisture, WaterML: c.WaterML, Cover: c.Cover, Gasket: c.Gasket, Coating: c.Coating, Note: c.Note,
		Corrosion: make(map[string]bench.Corrosion),
	}
	for place, grade := range c.Corrosion {
		f.Corrosion[place] = bench.Corrosion(grade)
	}
	return c.record(ctx, &books.VisitFile{Visit: c.Visit, Found: []books.FindingFile{f}}, false)
}

type visitWorkCmd struct {
	atVisits
	Visit   int64      `arg:"" optional:"" help:"The visit's number."`
	Code    bench.Code `arg:"" optional:"" help:"What was done."`
	Details []string   `arg:"" optional:"" name:"NAME=VALUE" sep:"none" help:"What the code takes, as in coating=acrylic."`
	Note    string     `help:"Anything else."`
	At      string     `placeholder:"TIME" help:"When, in RFC 3339 or a date. Default: now."`
	Codes   bool       `help:"List the codes and what each takes; * is what must be said."`
}

// Run writes the work down.
func (c *visitWorkCmd) Run(ctx context.Context) error {
	if c.Codes {
		for _, code := range bench.Codes {
			fmt.Println(strings.TrimSpace(string(code) + "\t" + strings.Join(code.Details(), " ")))
		}
		return nil
	}
	if c.Visit == 0 || c.Code == "" {
		return usageError{errors.New("name the visit and the code; --codes lists them")}
	}
	w := books.WorkFile{Code: c.Code, At: c.At, Note: c.Note, Details: make(map[string]string)}
	for _, d := range c.Details {
		name, value, ok := strings.Cut(d, "=")
		if !ok {
			return usageError{fmt.Errorf("detail %q: write NAME=VALUE", d)}
		}
		w.Details[name] = value
	}
	return c.record(ctx, &books.VisitFile{Visit: c.Visit, Work: []books.WorkFile{w}}, false)
}

type visitOutcomeCmd struct {
	atVisits
	Visit   int64         `arg:"" help:"The visit's number."`
	Finding string        `arg:"" name:"KIND/NUMBER" help:"The finding, as in board_wet/3."`
	Outcome bench.Outcome `arg:"" help:"put-right, nothing-seen or still-to-do."`
	Reason  string        `help:"Why nothing more is to be done about it; needed unless it is still to do."`
	At      string        `placeholder:"TIME" help:"When, in RFC 3339 or a date. Default: now."`
}

// Run writes the outcome down.
func (c *visitOutcomeCmd) Run(ctx context.Context) error {
	of, err := causeOf("KIND/NUMBER", c.Finding)
	if err != nil {
		return err
	}
	o := books.OutcomeFile{CauseFile: of, Outcome: c.Outcome, Reason: c.Reason, At: c.At}
	return c.record(ctx, &books.VisitFile{Visit: c.Visit, Came: []books.OutcomeFile{o}}, false)
}

type visitUseCmd struct {
	atVisits
	Visit            int64 `arg:"" help:"The visit's number."`
	Lot              int64 `arg:"" help:"The lot's number."`
	Quantity         int64 `arg:"" optional:"" default:"1" help:"How many pieces, or ml."`
	LastOneConfirmed bool  `help:"Yes, take the last one of a kind that can't be bought any more."`
	TakeReserved     bool  `help:"Yes, take what is reserved for others."`
}

// Run takes the parts.
func (c *visitUseCmd) Run(ctx context.Context) error {
	return c.record(ctx, &books.VisitFile{Visit: c.Visit, Parts: []books.PartFile{{
		Lot: c.Lot, Quantity: c.Quantity, LastOneConfirmed: c.LastOneConfirmed, TakeReserved: c.TakeReserved,
	}}}, false)
}

type visitPhotoCmd struct {
	atVisits
	Visit   int64  `arg:"" help:"The visit's number."`
	File    string `arg:"" help:"The picture; with --get, the new file that it goes into."`
	Caption string `help:"What it shows."`
	Taken   string `placeholder:"TIME" help:"When it was taken, in RFC 3339 or a date."`
	Get     int64  `placeholder:"N" help:"Write the visit's photo with this number into the file."`
}

// Run keeps the photo, or gives one back.
func (c *visitPhotoCmd) Run(ctx context.Context) error {
	if c.Get != 0 {
		return c.with(ctx, func(v books.Visits) error {
			p, err := v.VisitPhoto(ctx, c.Visit, c.Get)
			if err != nil {
				return err
			}
			return writeNew(c.File, p.Body)
		})
	}
	p := books.PhotoFile{File: c.File, Caption: c.Caption, Taken: c.Taken}
	if err := readPhoto(&p, ""); err != nil {
		return err
	}
	return c.record(ctx, &books.VisitFile{Visit: c.Visit, Photos: []books.PhotoFile{p}}, false)
}

func writeNew(path string, body []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	return errors.Join(err, f.Close())
}

// readPhoto reads a picture's file, which is named as seen from folder, and no
// more of it than tells that it is too large.
func readPhoto(p *books.PhotoFile, folder string) error {
	path := p.File
	if !filepath.IsAbs(path) {
		path = filepath.Join(folder, path)
	}
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("photo: %w", err)
	}
	defer func() { _ = f.Close() }()
	if p.Body, err = io.ReadAll(io.LimitReader(f, books.PhotoMost+1)); err != nil {
		return fmt.Errorf("photo %s: %w", p.File, err)
	}
	return nil
}

type visitSymptomCmd struct {
	atVisits
	Station    string        `arg:"" help:"The station's id."`
	Kind       bench.Symptom `arg:"" optional:"" help:"ghost-calls, dead-key, weak-audio, dark-lamp, hum, no-ring or other. Left out: list what is written down."`
	Note       string        `help:"More of it."`
	Since      string        `placeholder:"DATE" help:"Since which day."`
	ReportedBy string        `placeholder:"NAME" help:"Who says so."`
	Visit      int64         `placeholder:"N" help:"The visit that it is told for."`
	JSON       bool          `name:"json" help:"With the list: one JSON object."`
}

// Run writes the symptom down, or lists them.
func (c *visitSymptomCmd) Run(ctx context.Context) error {
	if c.Kind != "" {
		return c.record(ctx, &books.VisitFile{
			Visit: c.Visit, Station: c.Station,
			Reports: []books.SymptomFile{{Kind: c.Kind, Note: c.Note, Since: c.Since, ReportedBy: c.ReportedBy}},
		}, false)
	}
	return c.with(ctx, func(v books.Visits) error {
		if _, err := v.Station(ctx, c.Station); err != nil {
			return err
		}
		list, err := v.Symptoms(ctx, c.Station)
		if err != nil {
			return err
		}
		items := []books.SymptomJSON{}
		for i := range list {
			if c.JSON {
				items = append(items, books.SymptomOf(&list[i], true))
				continue
			}
			fmt.Println(symptomLine(&list[i]))
		}
		if !c.JSON {
			return nil
		}
		return printJSON(struct {
			Items []books.SymptomJSON `json:"items"`
		}{items})
	})
}

type visitCardCmd struct {
	atVisits
	Visit int64  `arg:"" help:"The visit's number."`
	File  string `arg:"" optional:"" help:"JSON file with the fields of card as --json shows them, or - for standard input."`
	JSON  bool   `name:"json" help:"Show it as one JSON object."`
}

// Run writes the card down, or shows it, and says what it comes to.
func (c *visitCardCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(v books.Visits) error {
		if c.File != "" {
			var card books.CardFile
			if err := readJSONFile(c.File, &card); err != nil {
				return err
			}
			if err := c.write(ctx, v, &books.VisitFile{Visit: c.Visit, Card: &card}, false); err != nil {
				return err
			}
		}
		card, err := v.Card(ctx, c.Visit, unit.At(time.Now()))
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(books.CardOf(&card))
		}
		if card.At == 0 {
			fmt.Println("no test card yet; dewpost visit card --json shows a blank one")
		}
		fmt.Println(card.Result.Verdict)
		for _, l := range card.Result.Lines {
			fmt.Println(strings.TrimSpace(fmt.Sprintf("%s\t%s\t%s", l.Check, l.Verdict, l.Reason)))
		}
		return nil
	})
}

// readJSONFile reads one JSON value from a file, or standard input for -.
func readJSONFile(path string, v any) error {
	if path == "-" {
		return books.ReadJSON(os.Stdin, v)
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	if err := books.ReadJSON(f, v); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

type visitJarCmd struct {
	atVisits
	Visit  int64  `arg:"" help:"The visit's number."`
	Begin  string `placeholder:"TIME" help:"When the unit went into the jar, in RFC 3339."`
	End    string `placeholder:"TIME" help:"When it came out. Alone: ends the step that lasts."`
	Inside string `help:"What was in the jar, as in: saturated salt solution, 75 %%."`
}

// Run writes the step down.
func (c *visitJarCmd) Run(ctx context.Context) error {
	return c.record(ctx, &books.VisitFile{Visit: c.Visit, Jars: []books.JarFile{{Begin: c.Begin, End: c.End, Inside: c.Inside}}}, false)
}

type visitBaselinesCmd struct {
	atVisits
	Station string `arg:"" help:"The station's id."`
	JSON    bool   `name:"json" help:"One JSON object."`
}

// Run lists the baselines.
func (c *visitBaselinesCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(v books.Visits) error {
		list, err := v.Baselines(ctx, c.Station, unit.At(time.Now()))
		if err != nil {
			return err
		}
		out := struct {
			Items []books.BaselineJSON `json:"items"`
		}{Items: []books.BaselineJSON{}}
		for i := range list {
			b := &list[i]
			out.Items = append(out.Items, books.BaselineOf(b))
			if c.JSON {
				continue
			}
			state := "good"
			switch {
			case !b.Valid:
				state = "not good: " + b.Why
			case b.Until != 0:
				state = "good until " + b.Until.String()
			}
			fmt.Println(strings.TrimSpace(fmt.Sprintf("%s\t%s\t%s\t%s\t%s", b.Kind, b.From, b.To, state, b.Note)))
		}
		if c.JSON {
			return printJSON(out)
		}
		return nil
	})
}

type visitRecordCmd struct {
	atVisits
	File   string `arg:"" help:"The JSON file, or - for standard input. Photos in it are named as seen from its folder."`
	DryRun bool   `help:"Change nothing, and say whether it could be written down."`
}

// Run writes everything down.
func (c *visitRecordCmd) Run(ctx context.Context) error {
	var f books.VisitFile
	if err := readJSONFile(c.File, &f); err != nil {
		return err
	}
	for i := range f.Photos {
		if err := readPhoto(&f.Photos[i], filepath.Dir(c.File)); err != nil {
			return err
		}
	}
	return c.record(ctx, &f, c.DryRun)
}
