package record

import "dewpost/rules/unit"

// CellType says how a cell of a Table is to be understood. In Go it is a string,
// an int64, a float64, a unit.Instant, or a bool; nil where there is nothing.
type CellType uint8

// Types of cells.
const (
	Text    CellType = iota
	Integer          // int64
	Number           // float64, finite
	Instant          // unit.Instant; math.MinInt64 is always
	Truth            // bool
	JSON             // string, a JSON value
)

// Column is a named column of a Table.
type Column struct {
	Name string
	Type CellType
}

// Table is something that a store can hand out in rows.
type Table struct {
	Name    string
	About   string // one sentence
	Columns []Column
	Private bool // for role Run only
}

// Want says which rows of a Table.
type Want struct {
	Stations []string     // of these; nil: of all. Tables that are about no station have all their rows
	From, To unit.Instant // of the table's time: from <= t < to
	Owners   bool         // those about owners too
}
