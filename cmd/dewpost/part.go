package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

type partCmd struct {
	Kind         partKindCmd         `cmd:"" help:"Kinds of parts: add, list, show."`
	Receive      partReceiveCmd      `cmd:"" help:"Put parts on the shelf, as a lot of their own."`
	List         partListCmd         `cmd:"" help:"What is there of every kind, reserved, free, and what could be made up."`
	Use          partUseCmd          `cmd:"" help:"Take parts of a lot for a station or an order."`
	Scrap        partScrapCmd        `cmd:"" help:"Take parts of a lot away because they are worth nothing."`
	Lend         partLendCmd         `cmd:"" help:"Lend parts of a lot to an owner of the books."`
	GiveBack     partGiveBackCmd     `cmd:"" help:"Give parts back to the customer or lender whose they are."`
	Return       partReturnCmd       `cmd:"" help:"Put back into their lot parts that were not needed, or were lent. A reservation that they had served stays served."`
	Count        partCountCmd        `cmd:"" help:"Record how many there really are in a lot."`
	Reserve      partReserveCmd      `cmd:"" help:"Reserve parts for a station, whether or not they are there."`
	Release      partReleaseCmd      `cmd:"" help:"End a reservation that is not wanted any more."`
	Reservations partReservationsCmd `cmd:"" help:"List open reservations in the order in which they are served."`
	Recipe       partRecipeCmd       `cmd:"" help:"Recipes by which parts are made up from others: add, list, show."`
	Make         partMakeCmd         `cmd:"" help:"Make parts up by a recipe: take what it needs, put on the shelf what it gives."`
	CanMake      partCanMakeCmd      `cmd:"" help:"Explain how many of a kind could be made up, and what lacks."`
}

// atShelf is what commands on parts have in common.
type atShelf struct {
	inStore
	JSON bool `name:"json" help:"One JSON object."`
}

// with runs f on the shelf and prints what it returns: as JSON, or line by line.
func (c *atShelf) with(ctx context.Context, f func(p *books.Parts, now unit.Instant) (shown any, lines []string, err error)) error {
	return c.inStore.with(ctx, func(s *store.Store, _ collector.Config) error {
		shown, lines, err := f(books.NewParts(s), unit.At(time.Now()))
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(shown)
		}
		for _, line := range lines {
			fmt.Println(line)
		}
		return nil
	})
}

// items is the form of every list.
type items[T any] struct {
	Items []T `json:"items"`
}

// lotShown answers what was done to a lot.
type lotShown struct {
	Lot   int64 `json:"lot"`
	Delta int64 `json:"delta"`
}

func tabbed(cells ...any) string {
	var texts []string
	for _, c := range cells {
		texts = append(texts, fmt.Sprint(c))
	}
	return strings.Join(texts, "\t")
}

// some is a text, or what stands for none.
func some[T any](v *T, none string) string {
	if v == nil {
		return none
	}
	return fmt.Sprint(*v)
}

type partKindCmd struct {
	Add  partKindAddCmd  `cmd:"" help:"Add a kind of part, or change one."`
	List partListCmd     `cmd:"" help:"List kinds, and what is there of them."`
	Show partKindShowCmd `cmd:"" help:"Show a kind with its lots, reservations and moves."`
}

type partKindAddCmd struct {
	atShelf
	ID            string   `arg:"" help:"Short id: a-z, 0-9 and -."`
	Name          string   `required:"" help:"What people call it."`
	Class         string   `required:"" help:"What it is: face, keypad, board, cover, gasket, lamp, speaker, cone, sensor, coating or any other word."`
	Fits          []string `sep:"none" placeholder:"MODEL" help:"A system or model that it fits; may be repeated."`
	Unit          string   `default:"piece" help:"How it is counted: piece or ml."`
	Irreplaceable bool     `help:"It can't be bought any more."`
	LastOneRule   bool     `default:"true" negatable:"" help:"Of an irreplaceable kind the last one is taken on somebody's word only."`
	Minimum       int64    `default:"0" help:"How many the shop wants to have."`
	Replace       bool     `help:"Change the kind of that id."`
}

// Run adds or changes the kind.
func (c *partKindAddCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		k := stock.Kind{
			ID: c.ID, Name: c.Name, Class: c.Class, Fits: c.Fits, Unit: c.Unit,
			Irreplaceable: c.Irreplaceable, LastOne: c.LastOneRule, Minimum: c.Minimum,
		}
		err := p.PutKind(ctx, k, c.Replace, now, c.Author)
		return struct {
			Kind string `json:"kind"`
		}{c.ID}, nil, err
	})
}

type partKindShowCmd struct {
	atShelf
	ID     string `arg:"" help:"The kind's id."`
	Before int64  `placeholder:"N" help:"Moves with numbers below this one: goes on where a list ended."`
	Limit  int    `default:"100" help:"At most so many moves."`
}

// Run shows the kind.
func (c *partKindShowCmd) Run(ctx context.Context) error {
	if c.Limit < 1 || c.Before < 0 {
		return usageError{errors.New("--limit and --before are numbers from 1 on")}
	}
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		k, err := p.Kind(ctx, c.ID, now, c.Before, c.Limit)
		if err != nil {
			return nil, nil, fmt.Errorf("kind %s: %w", c.ID, err)
		}
		shown := struct {
			*books.KindCard
			Next int64 `json:"next,omitempty"` // for --before
		}{k, k.Before}
		return shown, kindLines(k), nil
	})
}

func kindLines(k *books.KindCard) []string {
	lines := []string{
		tabbed("kind", k.Kind), tabbed("name", k.Name), tabbed("class", k.Class), tabbed("fits", strings.Join(k.Fits, "; ")),
		tabbed("unit", k.Unit), tabbed("stock", standsWords(&k.KindStands)),
	}
	for _, l := range k.Lots {
		line := tabbed("lot", l.Lot, fmt.Sprintf("%d %s, grade %s", l.Quantity, l.Condition, l.Grade), "of "+some(l.Owner, "the shop"), l.Place)
		if l.Loan {
			line += "\ton loan"
		}
		if l.Held > 0 {
			line += fmt.Sprintf("\t%d reserved", l.Held)
		}
		for _, in := range l.MadeFrom {
			line += fmt.Sprintf("\tfrom %d of %s, lot %d", in.Quantity, in.Kind, in.Lot)
		}
		lines = append(lines, line)
	}
	for i := range k.Reservations {
		lines = append(lines, "reservation\t"+reservationLine(&k.Reservations[i]))
	}
	for i := range k.Moves {
		lines = append(lines, moveLine(&k.Moves[i]))
	}
	return lines
}

func moveLine(m *books.MoveShown) string {
	line := tabbed("move", m.Move, m.At, fmt.Sprintf("%+d", m.Delta), m.Reason, fmt.Sprintf("lot %d", m.Lot), "by "+m.Author)
	for _, more := range []struct {
		is   bool
		text string
	}{
		{m.Station != nil, "for " + some(m.Station, "")},
		{m.Visit != nil, "visit " + some(m.Visit, "")},
		{m.Party != nil, "to " + some(m.Party, "")},
		{m.For != "", m.For},
		{m.LastOne, "the last one, confirmed"},
		{m.TookReserved, "though it was reserved, confirmed"},
	} {
		if more.is {
			line += "\t" + more.text
		}
	}
	return line
}

type partListCmd struct{ atShelf }

// Run lists the kinds.
func (c *partListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		all, err := p.Shelf(ctx, now)
		if err != nil {
			return nil, nil, err
		}
		list := all.Kinds
		var lines []string
		for i := range list {
			lines = append(lines, tabbed(list[i].Kind, list[i].Name, standsWords(&list[i])))
		}
		return items[books.KindStands]{list}, lines, nil
	})
}

// standsWords says how a kind stands.
func standsWords(k *books.KindStands) string {
	words := fmt.Sprintf("stock %d\treserved %d\tfree %d\tmakeable %d", k.Stock, k.Reserved, k.Free, k.Makeable)
	for _, more := range []struct {
		is   bool
		text string
	}{
		{k.Unit != stock.Piece, "in " + k.Unit},
		{k.Theirs > 0, fmt.Sprintf("%d of others", k.Theirs)},
		{k.Broken > 0, fmt.Sprintf("%d broken", k.Broken)},
		{k.Waiting > 0, fmt.Sprintf("%d waited for", k.Waiting)},
		{k.LastOne, "last one"},
		{k.BelowMinimum, fmt.Sprintf("below the minimum of %d", k.Minimum)},
	} {
		if more.is {
			words += "\t" + more.text
		}
	}
	return words
}

type partReceiveCmd struct {
	atShelf
	Kind      string `arg:"" help:"The kind's id."`
	Quantity  int64  `arg:"" default:"1" help:"How many, in the kind's unit."`
	Condition string `required:"" help:"new, used, refurbished, made-up or broken."`
	Grade     string `required:"" help:"How good it is: a, b, c or d."`
	Owner     string `placeholder:"OWNER" help:"The customer whose it is, by his id in the books: then it is for his stations only. Default: the shop's."`
	Loan      bool   `help:"The owner lent it."`
	Place     string `help:"Where in the shop it lies."`
	Origin    string `help:"Where it came from, such as the station that it was taken out of."`
	Note      string `help:"What else there is to say."`
}

// Run puts the lot on the shelf.
func (c *partReceiveCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		lot, err := p.Receive(ctx, stock.Lot{
			Kind: c.Kind, Condition: stock.Condition(c.Condition), Grade: stock.Grade(c.Grade), Owner: c.Owner, Loan: c.Loan,
			Quantity: c.Quantity, Place: c.Place, Origin: c.Origin, Note: c.Note,
		}, now, c.Author)
		return lotShown{lot, c.Quantity}, []string{fmt.Sprintf("lot %d", lot)}, err
	})
}

// ofLot says how many of which lot.
type ofLot struct {
	atShelf
	Lot      int64 `arg:"" help:"The lot's number."`
	Quantity int64 `arg:"" default:"1" help:"How many, in the kind's unit."`
}

// takeFlags are what somebody says who takes parts.
type takeFlags struct {
	For              string `placeholder:"TEXT" help:"An order, or what else it is for."`
	LastOneConfirmed bool   `help:"It may be the last one of a kind that can't be bought any more. Who says so is kept."`
	TakeReserved     bool   `help:"Others may wait who reserved it. Who says so is kept."`
}

func (c *ofLot) take(ctx context.Context, f takeFlags, t record.PartTaking) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		t.Lot, t.Quantity, t.For, t.LastOneConfirmed, t.TakeReserved = c.Lot, c.Quantity, f.For, f.LastOneConfirmed, f.TakeReserved
		return lotShown{c.Lot, -c.Quantity}, nil, p.Take(ctx, t, now, c.Author)
	})
}

type partUseCmd struct {
	ofLot
	takeFlags
	Station string `placeholder:"ID" help:"The station that it goes into."`
	Visit   int64  `placeholder:"N" help:"The visit's number."`
}

// Run uses parts.
func (c *partUseCmd) Run(ctx context.Context) error {
	return c.take(ctx, c.takeFlags, record.PartTaking{Reason: record.PartUsed, PartUse: record.PartUse{Station: c.Station, Visit: c.Visit}})
}

type partScrapCmd struct {
	ofLot
	For              string `placeholder:"TEXT" help:"Why."`
	LastOneConfirmed bool   `help:"It may be the last one of a kind that can't be bought any more. Who says so is kept."`
}

// Run scraps parts.
func (c *partScrapCmd) Run(ctx context.Context) error {
	return c.take(ctx, takeFlags{For: c.For, LastOneConfirmed: c.LastOneConfirmed}, record.PartTaking{Reason: record.PartScrapped})
}

type partLendCmd struct {
	ofLot
	takeFlags
	To string `required:"" placeholder:"OWNER" help:"Who gets it, by the id in the books."`
}

// Run lends parts.
func (c *partLendCmd) Run(ctx context.Context) error {
	return c.take(ctx, c.takeFlags, record.PartTaking{Reason: record.PartLent, Party: c.To})
}

type partGiveBackCmd struct {
	ofLot
	For          string `placeholder:"TEXT" help:"Why."`
	TakeReserved bool   `help:"Others may wait who reserved it. Who says so is kept."`
}

// Run gives parts back.
func (c *partGiveBackCmd) Run(ctx context.Context) error {
	return c.take(ctx, takeFlags{For: c.For, TakeReserved: c.TakeReserved}, record.PartTaking{Reason: record.PartGivenBack})
}

type partReturnCmd struct {
	ofLot
	Station string `placeholder:"ID" help:"The station that it was taken for."`
	Visit   int64  `placeholder:"N" help:"The visit's number."`
	For     string `placeholder:"TEXT" help:"Why."`
}

// Run puts parts back.
func (c *partReturnCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		r := record.PartReturn{Lot: c.Lot, Quantity: c.Quantity, Station: c.Station, Visit: c.Visit, For: c.For}
		return lotShown{c.Lot, c.Quantity}, nil, p.Return(ctx, r, now, c.Author)
	})
}

type partCountCmd struct {
	atShelf
	Lot   int64  `arg:"" help:"The lot's number."`
	There int64  `arg:"" help:"How many there are, in the kind's unit."`
	For   string `placeholder:"TEXT" help:"Why it differs."`
}

// Run records the count.
func (c *partCountCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		delta, err := p.Count(ctx, c.Lot, c.There, c.For, now, c.Author)
		return lotShown{c.Lot, delta}, []string{fmt.Sprintf("%+d", delta)}, err
	})
}

type partReserveCmd struct {
	atShelf
	Kind     string `arg:"" help:"The kind's id."`
	Quantity int64  `arg:"" default:"1" help:"How many, in the kind's unit."`
	Station  string `required:"" placeholder:"ID" help:"The station that it is for."`
	Lot      int64  `placeholder:"N" help:"This lot and no other."`
	Grade    string `default:"d" help:"This grade or a better one: a, b, c or d."`
	Visit    int64  `placeholder:"N" help:"The visit's number."`
	Order    string `placeholder:"TEXT" help:"The order, as the shop writes it."`
	Paid     bool   `help:"The order is paid: it is served before others."`
	NeedBy   string `placeholder:"DATE" help:"When it must be there, as in 2026-04-30."`
}

// Run reserves parts.
func (c *partReserveCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		id, err := p.Reserve(ctx, stock.Reservation{
			Kind: c.Kind, Lot: c.Lot, Quantity: c.Quantity, Grade: stock.Grade(c.Grade), Station: c.Station, Visit: c.Visit,
			Order: c.Order, Paid: c.Paid, NeedBy: c.NeedBy, Made: now,
		}, c.Author)
		return reservationShown{id}, []string{fmt.Sprintf("reservation %d", id)}, err
	})
}

type reservationShown struct {
	Reservation int64 `json:"reservation"`
}

type partReleaseCmd struct {
	atShelf
	Number int64 `arg:"" help:"The reservation's number."`
}

// Run ends the reservation.
func (c *partReleaseCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		return reservationShown{c.Number}, nil, p.Release(ctx, c.Number, now, c.Author)
	})
}

type partReservationsCmd struct{ atShelf }

// Run lists reservations.
func (c *partReservationsCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		all, err := p.Shelf(ctx, now)
		if err != nil {
			return nil, nil, err
		}
		list := all.Reservations
		var lines []string
		for i := range list {
			lines = append(lines, reservationLine(&list[i]))
		}
		return items[books.ReservationStands]{list}, lines, nil
	})
}

func reservationLine(r *books.ReservationStands) string {
	state := "there"
	if r.Waiting > 0 {
		state = fmt.Sprintf("waits for %d", r.Waiting)
	}
	line := tabbed(r.Reservation, r.Kind, r.Quantity, "for "+r.Station, state, "grade "+string(r.Grade)+" or better")
	if r.Lot != nil {
		line = tabbed(r.Reservation, r.Kind, r.Quantity, "for "+r.Station, state, fmt.Sprintf("lot %d", *r.Lot))
	}
	if r.Paid {
		line += "\tpaid"
	}
	if r.NeedBy != nil {
		line += "\tby " + *r.NeedBy
	}
	if r.Order != "" {
		line += "\t" + r.Order
	}
	return line
}

type partRecipeCmd struct {
	Add  partRecipeAddCmd  `cmd:"" help:"Add a recipe, or change one."`
	List partRecipeListCmd `cmd:"" help:"List recipes, and how often they go."`
	Show partRecipeShowCmd `cmd:"" help:"Show a recipe."`
}

type partRecipeAddCmd struct {
	atShelf
	ID       string   `arg:"" help:"Short id: a-z, 0-9 and -."`
	Makes    string   `required:"" placeholder:"KIND" help:"What it gives."`
	Quantity int64    `default:"1" help:"How many it gives, in the kind's unit."`
	Grade    string   `required:"" help:"How good what it gives is: a, b, c or d."`
	Need     []string `required:"" sep:"none" placeholder:"KIND=N[,CONDITION]" help:"What it takes, as in keypad-in=1,used; may be repeated."`
	Step     []string `sep:"none" placeholder:"TEXT" help:"What to do; may be repeated, in order."`
	Hours    float64  `default:"0" help:"Hours of work."`
	Replace  bool     `help:"Change the recipe of that id."`
}

// Run adds or changes the recipe.
func (c *partRecipeAddCmd) Run(ctx context.Context) error {
	r := stock.Recipe{ID: c.ID, Makes: c.Makes, Quantity: c.Quantity, Grade: stock.Grade(c.Grade), Hours: c.Hours, Steps: c.Step}
	for _, text := range c.Need {
		n, err := parseNeed(text)
		if err != nil {
			return usageError{err}
		}
		r.Needs = append(r.Needs, n)
	}
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		return struct {
			Recipe string `json:"recipe"`
		}{c.ID}, nil, p.PutRecipe(ctx, r, c.Replace, now, c.Author)
	})
}

// parseNeed reads KIND=N[,CONDITION].
func parseNeed(text string) (stock.Need, error) {
	kind, rest, ok := strings.Cut(text, "=")
	number, condition, _ := strings.Cut(rest, ",")
	n, err := strconv.ParseInt(number, 10, 64)
	if !ok || err != nil {
		return stock.Need{}, fmt.Errorf("--need %q: write KIND=N or KIND=N,CONDITION, as in keypad-in=1,used", text)
	}
	return stock.Need{Kind: kind, Quantity: n, Condition: stock.Condition(condition)}, nil
}

type partRecipeListCmd struct{ atShelf }

// Run lists the recipes.
func (c *partRecipeListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		all, err := p.Shelf(ctx, now)
		if err != nil {
			return nil, nil, err
		}
		list := all.Recipes
		var lines []string
		for i := range list {
			r := &list[i]
			lines = append(lines, tabbed(r.Recipe, fmt.Sprintf("makes %d of %s, grade %s", r.Quantity, r.Makes, r.Grade), fmt.Sprintf("makeable %d", r.Makeable)))
		}
		return items[books.RecipeShown]{list}, lines, nil
	})
}

type partRecipeShowCmd struct {
	atShelf
	ID string `arg:"" help:"The recipe's id."`
}

// Run shows the recipe.
func (c *partRecipeShowCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		r, err := p.Recipe(ctx, c.ID, now)
		if err != nil {
			return nil, nil, fmt.Errorf("recipe %s: %w", c.ID, err)
		}
		lines := append(recipeLines(&r, ""), tabbed("hours", r.Hours))
		for i, step := range r.Steps {
			lines = append(lines, tabbed("step", i+1, step))
		}
		return r, lines, nil
	})
}

// recipeLines say what a recipe takes and what of it is there, and likewise of
// recipes for what it takes.
func recipeLines(r *books.RecipeShown, indent string) []string {
	lines := []string{indent + tabbed("recipe", r.Recipe, fmt.Sprintf("makes %d of %s, grade %s", r.Quantity, r.Makes, r.Grade), fmt.Sprintf("makeable %d", r.Makeable))}
	for i := range r.Needs {
		n := &r.Needs[i]
		line := indent + tabbed("need", n.Quantity, n.Kind, some(n.Condition, "any but broken"), fmt.Sprintf("there %d", n.There), fmt.Sprintf("makeable %d", n.Makeable))
		if n.Lacks > 0 {
			line += fmt.Sprintf("\tlacks %d", n.Lacks)
		}
		lines = append(lines, line)
		for j := range n.Recipes {
			lines = append(lines, recipeLines(&n.Recipes[j], indent+"  ")...)
		}
	}
	return lines
}

type partMakeCmd struct {
	atShelf
	Recipe           string `arg:"" help:"The recipe's id."`
	Times            int64  `arg:"" default:"1" help:"How often."`
	Station          string `placeholder:"ID" help:"The station that it is for: what is reserved for it, and its owner's own parts, may be taken. What the owner's parts go into is the owner's."`
	Place            string `help:"Where in the shop it will lie."`
	LastOneConfirmed bool   `help:"It may take the last one of a kind that can't be bought any more. Who says so is kept."`
	TakeReserved     bool   `help:"Others may wait who reserved what it takes. Who says so is kept."`
}

// Run makes parts.
func (c *partMakeCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		lot, err := p.Make(ctx, record.PartMaking{
			Recipe: c.Recipe, Times: c.Times, Station: c.Station, Place: c.Place, LastOneConfirmed: c.LastOneConfirmed, TakeReserved: c.TakeReserved,
		}, now, c.Author)
		return struct {
			Lot int64 `json:"lot"`
		}{lot}, []string{fmt.Sprintf("lot %d", lot)}, err
	})
}

type partCanMakeCmd struct {
	atShelf
	Kind string `arg:"" help:"The kind's id."`
}

// Run explains.
func (c *partCanMakeCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Parts, now unit.Instant) (any, []string, error) {
		m, err := p.CanMake(ctx, c.Kind, now)
		if err != nil {
			return nil, nil, fmt.Errorf("kind %s: %w", c.Kind, err)
		}
		lines := []string{tabbed("available", m.Available, fmt.Sprintf("free %d", m.Free), fmt.Sprintf("makeable %d", m.Makeable))}
		for i := range m.Recipes {
			lines = append(lines, recipeLines(&m.Recipes[i], "")...)
		}
		return m, lines, nil
	})
}
