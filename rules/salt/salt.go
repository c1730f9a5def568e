// Package salt knows the humidity over saturated salt solutions, by which a
// humidity sensor is checked.
package salt

import (
	_ "embed"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

//go:embed salts.csv
var table string

// unknown is taken for an uncertainty that the table doesn't tell, %RH: a judgement
// value.
const unknown = 1.0

// Point is a humidity with its uncertainty for nineteen in twenty, in %RH.
type Point struct{ RH, Uncertainty float64 }

type row struct {
	temp float64
	Point
}

// rows are those of the table by salt, each by ascending temperature; names are in
// the table's order, the driest first.
var rows, names = func() (map[string][]row, []string) {
	all, names := map[string][]row{}, []string(nil)
	number := func(text string) float64 {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return unknown
		}
		return v
	}
	for line := range strings.Lines(table) {
		cells := strings.Split(strings.TrimSpace(line), ",")
		if line[0] == '#' || cells[0] == "salt" {
			continue
		}
		if all[cells[0]] == nil {
			names = append(names, cells[0])
		}
		all[cells[0]] = append(all[cells[0]], row{number(cells[1]), Point{number(cells[2]), number(cells[3])}})
	}
	return all, names
}()

// Names lists the salts, the driest first.
func Names() []string { return slices.Clone(names) }

// Find returns a salt as the table writes it; names are taken in any case. false
// when it isn't there.
func Find(name string) (string, bool) {
	i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, name) })
	if i < 0 {
		return "", false
	}
	return names[i], true
}

// Over returns the humidity over the saturated solution at temp °C, linear
// between the rows of the table, which are 5 K apart.
//
// Source: Greenspan 1977, J. Res. NBS 81A, tables 1 and 2.
func Over(name string, temp float64) (Point, error) {
	found, ok := Find(name)
	if !ok {
		return Point{}, fmt.Errorf("salt %q is not known: choose one of %s", name, strings.Join(names, ", "))
	}
	rows := rows[found]
	if lo, hi := rows[0].temp, rows[len(rows)-1].temp; !(temp >= lo && temp <= hi) {
		return Point{}, fmt.Errorf("%s at %.1f °C: the table goes from %v to %v °C", found, temp, lo, hi)
	}
	i := max(1, slices.IndexFunc(rows, func(r row) bool { return r.temp >= temp }))
	a, b := rows[i-1], rows[i]
	w := (temp - a.temp) / (b.temp - a.temp)
	return Point{RH: a.RH + w*(b.RH-a.RH), Uncertainty: a.Uncertainty + w*(b.Uncertainty-a.Uncertainty)}, nil
}

// Reach returns the temperatures, °C, from which and up to which the table tells
// of a salt in it.
func Reach(name string) (low, high float64) {
	found, _ := Find(name)
	if rows := rows[found]; len(rows) > 0 {
		low, high = rows[0].temp, rows[len(rows)-1].temp
	}
	return low, high
}
