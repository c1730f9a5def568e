package round

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const data = "../../testdata/round"

// tenths of the unit of an instance are its seconds.
const tenths = 10

type published struct {
	problem, name string
	n             int
	best          float64
}

func (p *published) String() string { return fmt.Sprintf("%s %s.%d", p.problem, p.name, p.n) }

func optima(t testing.TB) (all []published) {
	f, err := os.Open(filepath.Join(data, "optima.csv"))
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		n, err := strconv.Atoi(row[2])
		require.NoError(t, err)
		best, err := strconv.ParseFloat(row[3], 64)
		require.NoError(t, err)
		all = append(all, published{row[0], row[1], n, best})
	}
	return all
}

// asOurs makes one of ours of an instance: vehicles are days, distances cost
// what they are, and what is left out costs its demand (optw) or more than
// anything else (vrptw).
func (p *published) asOurs(t testing.TB) *Problem {
	f, err := os.Open(filepath.Join(data, p.name+".txt"))
	require.NoError(t, err)
	defer f.Close()
	var rows [][7]int64
	var capacity int64
	for in := bufio.NewScanner(f); in.Scan(); {
		line := in.Text()
		if _, after, ok := strings.Cut(line, "capacity="); ok {
			capacity, err = strconv.ParseInt(after, 10, 64)
			require.NoError(t, err)
		}
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "number") {
			continue
		}
		var row [7]int64
		for i, cell := range strings.Fields(line) {
			row[i], err = strconv.ParseInt(cell, 10, 64)
			require.NoError(t, err)
		}
		rows = append(rows, row)
	}
	rows = rows[:p.n+1]
	out := &Problem{Overtime: 0}
	days := 25
	if p.problem == "optw" {
		days, capacity = 1, 0
	}
	for d := range days {
		end := rows[0][5] * tenths
		out.Days = append(out.Days, Day{Date: d, Open: 0, Close: end, Latest: end, Load: capacity, Name: fmt.Sprint(d)})
	}
	for _, a := range rows {
		var seconds []int64
		var cost []float64
		for _, b := range rows {
			dx, dy := float64(a[1]-b[1]), float64(a[2]-b[2])
			far := int64(math.Sqrt(dx*dx+dy*dy)*tenths + 1e-9)
			seconds = append(seconds, far)
			if p.problem == "optw" {
				cost = append(cost, float64(far)/tenths/1e5)
			} else {
				cost = append(cost, float64(far)/tenths)
			}
		}
		out.Seconds, out.Cost = append(out.Seconds, seconds), append(out.Cost, cost)
	}
	for i, row := range rows[1:] {
		j := Job{ID: fmt.Sprint(row[0]), Place: i + 1, Wait: make([]float64, days), Left: 1e4}
		s := Stop{Service: row[6] * tenths, Load: row[3]}
		if p.problem == "optw" {
			j.Left = float64(row[3])
		}
		for range days {
			s.Hours = append(s.Hours, []Window{{row[4] * tenths, row[5] * tenths}})
		}
		j.Ways = []Way{{Stops: []Stop{s}}}
		out.Jobs = append(out.Jobs, j)
	}
	return out
}

// gap returns by how much a plan is worse than the best, in percent.
func (p *published) gap(t testing.TB, problem *Problem, plan *Plan) float64 {
	feasible(t, problem, plan)
	if p.problem == "vrptw" {
		require.Empty(t, plan.Left, "%s", p)
		require.Greater(t, plan.Travel, p.best-0.05, "%s: better than what was proven best", p)
		return 100 * (plan.Travel - p.best) / p.best
	}
	collected := 0.0
	for j, way := range plan.Way {
		if way >= 0 {
			collected += problem.Jobs[j].Left
		}
	}
	require.LessOrEqual(t, collected, p.best, "%s: better than what was proven best", p)
	return 100 * (p.best - collected) / p.best
}
