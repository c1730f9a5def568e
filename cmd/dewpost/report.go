package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"dewpost/rules/assess"
	"dewpost/rules/corrosion"
	"dewpost/rules/exposure"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

type reportCmd struct {
	Station   reportStationCmd   `cmd:"" help:"Print the season report of a station as PDF, in its owner's language."`
	Site      reportSiteCmd      `cmd:"" help:"Print the season report of a site as PDF."`
	Owner     reportOwnerCmd     `cmd:"" help:"Print the season report of an owner's stations as PDF."`
	Corrosion reportCorrosionCmd `cmd:"" help:"Corrosivity of outdoor air for openly exposed metal, after ISO 9223 and ISO 9224."`
}

type reportCorrosionCmd struct {
	Outdoor  string   `required:"" placeholder:"LOG.csv" help:"A log of a year of outdoor air: columns time, outside_temp_c and outside_rh_pct; - reads standard input."`
	SO2      *float64 `name:"so2" placeholder:"X" help:"Sulphur dioxide, in the unit of --so2-in. Without it and --cl only the time of wetness is told."`
	SO2In    string   `name:"so2-in" default:"deposit" enum:"deposit,air,load" help:"deposit: mg SO₂/(m² d); air: µg SO₂/m³; load: kg sulphur/(ha a). Default: deposit."`
	Chloride *float64 `name:"cl" placeholder:"X" help:"Chloride that is deposited, mg/(m² d)."`
	JSON     bool     `name:"json" help:"One JSON object."`
	logFlags
}

// corrosionJSON is what --json prints. Figures that the log doesn't give are
// null.
type corrosionJSON struct {
	From    *unit.Instant `json:"from"`
	To      *unit.Instant `json:"to"`
	KnownH  float64       `json:"known_h"`
	TowH    *float64      `json:"tow_h_per_year"`
	Class   *int          `json:"tow_class"`
	Air     *airJSON      `json:"air"`
	Outside []string      `json:"outside_validity"`
	Metals  []metalJSON   `json:"metals"`
	Notes   []string      `json:"notes"`
}

type airJSON struct {
	Temp     float64 `json:"temp_c"`
	RH       float64 `json:"rh_pct"`
	Sulphur  float64 `json:"so2_mg_m2_d"`
	Chloride float64 `json:"cl_mg_m2_d"`
}

type metalJSON struct {
	Metal    corrosion.Metal `json:"metal"`
	Um       float64         `json:"um_per_year"`
	Low      float64         `json:"low_um_per_year"`
	High     float64         `json:"high_um_per_year"`
	G        float64         `json:"g_per_m2_year"`
	Category string          `json:"category"`
	FromG    float64         `json:"category_from_g_per_m2_year"`
	ToG      *float64        `json:"category_to_g_per_m2_year"`
	Beyond   bool            `json:"beyond_category"`
	Memory   bool            `json:"coefficients_from_memory"`
	Ahead    []aheadJSON     `json:"ahead"`
}

type aheadJSON struct {
	Years        float64 `json:"years"`
	Mean         float64 `json:"um"`
	Conservative float64 `json:"conservative_um"`
}

var yearsAhead = []float64{1, 2, 5, 10, 20, 30}

// Run reports.
func (c *reportCorrosionCmd) Run() error {
	opt, err := c.options(c.Outdoor, logfile.Known())
	if err != nil {
		return usageError{err}
	}
	for _, x := range []struct {
		name  string
		value *float64
	}{{"so2", c.SO2}, {"cl", c.Chloride}} {
		if v := x.value; v != nil && !(*v >= 0 && *v <= 1e5) {
			return usageError{fmt.Errorf("--%s %v: use a number from 0 to 100000", x.name, *v)}
		}
	}
	if (c.SO2 == nil) != (c.Chloride == nil) {
		return usageError{fmt.Errorf("--so2 and --cl: give both, or neither: a formula of the standard needs both")}
	}
	out, err := c.report(opt)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(os.Stdout).Encode(out)
	}
	return out.write(os.Stdout)
}

func (c *reportCorrosionCmd) report(opt logfile.Options) (out corrosionJSON, err error) {
	var all []reading.Reading
	err = readLog(c.Outdoor, opt, func(rs []reading.Reading) error {
		all = append(all, rs...)
		return nil
	})
	if err != nil {
		return out, err
	}
	all = reading.Merge(all)
	times := make([]unit.Instant, min(len(all), assess.GapInstants))
	for i := range times {
		times[i] = all[i].Time
	}
	gap := assess.MaxGap(times)
	wet, year := exposure.Outdoors{MaxGap: gap}, corrosion.Year{MaxGap: gap}
	for i := range all {
		wet.Add(&all[i])
		year.Add(&all[i])
	}
	if n := len(all); n > 0 {
		out.From, out.To = &all[0].Time, &all[n-1].Time
	}
	out.Outside, out.Metals = []string{}, []metalJSON{}
	out.Notes = []string{"Of metal in the open, after ISO 9223:2012 and ISO 9224:2012. It says nothing of a board in a box."}
	hours, known, ok := wet.Year()
	if out.KnownH = known; !ok {
		out.Notes = append(out.Notes, fmt.Sprintf("Not known yet: %.0f outdoor hours are known of 7000 that a year needs.", known))
		return out, nil
	}
	class := exposure.TowClass(hours)
	out.TowH, out.Class = &hours, &class
	if c.SO2 == nil {
		out.Notes = append(out.Notes, "No loss of metal: give --so2 and --cl.")
		return out, nil
	}
	temp, rh, err := year.Mean()
	if err != nil {
		out.Notes = append(out.Notes, "No loss of metal: "+err.Error()+".")
		return out, nil
	}
	air := corrosion.Air{Temp: temp, RH: rh, Sulphur: *c.SO2 * map[string]float64{"deposit": 1, "air": corrosion.SulphurOfAir, "load": corrosion.SulphurOfLoad}[c.SO2In], Chloride: *c.Chloride}
	out.metals(air)
	if c.SO2In == "air" {
		out.Notes = append(out.Notes, "Deposit of sulphur dioxide from its concentration: 0.8, from memory.")
	}
	return out, nil
}

func (o *corrosionJSON) metals(air corrosion.Air) {
	o.Air = &airJSON{air.Temp, air.RH, air.Sulphur, air.Chloride}
	o.Outside = append(o.Outside, corrosion.Outside(air)...)
	for _, m := range corrosion.Metals {
		loss := corrosion.FirstYear(m, air)
		category := corrosion.CategoryOf(m, loss)
		one := metalJSON{
			Metal: m, Um: loss.Um, Low: loss.Low, High: loss.High, G: loss.G,
			Category: category.Name, FromG: category.FromG, Beyond: category.Beyond, Memory: loss.Memory,
		}
		if !math.IsInf(category.ToG, 1) {
			one.ToG = &category.ToG
		}
		for _, t := range yearsAhead {
			one.Ahead = append(one.Ahead, aheadJSON{t, corrosion.Depth(m, loss.Um, t, false), corrosion.Depth(m, loss.Um, t, true)})
		}
		o.Metals = append(o.Metals, one)
	}
	o.Notes = append(o.Notes, "Copper and aluminium: coefficients from memory. Ranges are the standard's own of the estimate, from memory; limits of categories, too, but steel's in mass and zinc's in depth.",
		"Categories are decided in µm a year, aluminium's in g/(m² a); the standard's two columns for steel differ a little.")
	if len(o.Outside) > 0 {
		o.Notes = append(o.Notes, "Outside of the range for which the formulas hold: the figures are what they give, not what is known.")
	}
}

func (o *corrosionJSON) write(to io.Writer) error {
	if o.From != nil {
		fmt.Fprintf(to, "outdoor air from %s to %s, %.0f h known\n", o.From.Time().Format(time.DateOnly), o.To.Time().Format(time.DateOnly), o.KnownH)
	}
	if o.TowH != nil {
		fmt.Fprintf(to, "time of wetness (RH > 80 %% and above 0 °C)  %.0f h a year, class τ%d\n", *o.TowH, *o.Class)
	}
	if o.Air != nil {
		fmt.Fprintf(to, "year's means  %.1f °C, %.1f %%RH; deposits  %.4g mg SO₂/(m² d), %.4g mg Cl⁻/(m² d)\n", o.Air.Temp, o.Air.RH, o.Air.Sulphur, o.Air.Chloride)
	}
	for _, text := range o.Outside {
		fmt.Fprintf(to, "! %s\n", text)
	}
	if len(o.Metals) > 0 {
		w := tabwriter.NewWriter(to, 0, 0, 2, ' ', tabwriter.AlignRight)
		head := "\nmetal\tcategory\tµm a year\trange\t"
		for _, t := range yearsAhead[1:] {
			head += fmt.Sprintf("µm in %g years\t", t)
		}
		fmt.Fprintln(w, head)
		for i := range o.Metals {
			fmt.Fprintln(w, o.Metals[i].row())
		}
		if err := w.Flush(); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(to, "\n%s\n", strings.Join(o.Notes, "\n"))
	return err
}

func (m *metalJSON) row() string {
	name, category := string(m.Metal), m.Category
	if m.Memory {
		name += " (from memory)"
	}
	if m.Beyond {
		category = "above " + category
	}
	row := fmt.Sprintf("%s\t%s\t%.2f\t%.2f to %.2f\t", name, category, m.Um, m.Low, m.High)
	for _, a := range m.Ahead[1:] {
		row += fmt.Sprintf("%.1f to %.1f\t", a.Mean, a.Conservative)
	}
	return row
}
