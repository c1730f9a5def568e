// Package salt knows the humidity over saturated salt solutions, by which a
// sensor is checked.
package salt

import (
	_ "embed"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

//go:embed greenspan.csv
var table string

// Point is a humidity with its uncertainty, in %RH.
type Point struct{ RH, Uncertainty float64 }

type row struct {
	temp float64
	Point
}

// Names lists the salts, the driest first.
func Names() []string {
	var names []string
	for _, line := range lines() {
		if name, _, _ := strings.Cut(line, ","); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

// lines are those of the table without its head.
func lines() []string {
	return slices.DeleteFunc(strings.Split(strings.TrimSpace(table), "\n"), func(l string) bool {
		return strings.HasPrefix(l, "#") || strings.HasPrefix(l, "salt,")
	})
}

// Over returns the humidity over the saturated solution at temp °C, linear
// between the rows of the table, which are 5 K apart. Names are taken in any
// case.
//
// Source: Greenspan 1977, J. Res. NBS 81A, tables 1 and 2.
func Over(name string, temp float64) (Point, error) {
	rows := of(name)
	if rows == nil {
		return Point{}, fmt.Errorf("salt %q is not known: choose one of %s", name, strings.Join(Names(), ", "))
	}
	lo, hi := rows[0].temp, rows[len(rows)-1].temp
	if !(temp >= lo && temp <= hi) {
		return Point{}, fmt.Errorf("%s at %.1f °C: the table goes from %v to %v °C", name, temp, lo, hi)
	}
	i := max(1, slices.IndexFunc(rows, func(r row) bool { return r.temp >= temp }))
	a, b := rows[i-1], rows[i]
	w := (temp - a.temp) / (b.temp - a.temp)
	return Point{RH: a.RH + w*(b.RH-a.RH), Uncertainty: a.Uncertainty + w*(b.Uncertainty-a.Uncertainty)}, nil
}

func of(name string) (rows []row) {
	for _, line := range lines() {
		cells := strings.Split(line, ",")
		if !strings.EqualFold(cells[0], name) {
			continue
		}
		var v [3]float64
		for i := range v {
			var err error
			if v[i], err = strconv.ParseFloat(cells[i+1], 64); err != nil {
				panic("salt: " + line + ": " + err.Error()) // the program's own file
			}
		}
		rows = append(rows, row{v[0], Point{v[1], v[2]}})
	}
	return rows
}
