package paper

import (
	"dewpost/collector/view"
	"dewpost/collector/words"
)

// Kinds of Block.
const (
	HeadingBlock  = "heading"
	BoldBlock     = "bold"
	ParaBlock     = "para"
	IndentedBlock = "indented"
	SmallBlock    = "small"
	CautionsBlock = "cautions"
	TickBlock     = "tick"    // a box to be ticked
	BlanksBlock   = "blanks"  // names with a line to write on
	ChoicesBlock  = "choices" // a name with boxes of which one is ticked
	TableBlock    = "table"
	ChartBlock    = "chart" // of the card's series
	EndBlock      = "end"   // what follows is to stay on one sheet
)

// Block is one piece of a card, for paper as for a page: both show the same.
type Block struct {
	Kind   string
	Text   string
	Items  []string   // of blanks and choices; the head of a table
	Widths []float64  // of a table's columns, parts of the whole
	Rows   [][]string // of a table
}

// script takes down what stands on a card.
type script struct{ blocks []Block }

func (s *script) add(b Block)           { s.blocks = append(s.blocks, b) }
func (s *script) heading(text string)   { s.add(Block{Kind: HeadingBlock, Text: text}) }
func (s *script) bold(text string)      { s.add(Block{Kind: BoldBlock, Text: text}) }
func (s *script) para(text string)      { s.add(Block{Kind: ParaBlock, Text: text}) }
func (s *script) indented(text string)  { s.add(Block{Kind: IndentedBlock, Text: text}) }
func (s *script) small(text string)     { s.add(Block{Kind: SmallBlock, Text: text}) }
func (s *script) tick(text string)      { s.add(Block{Kind: TickBlock, Text: text}) }
func (s *script) blanks(names []string) { s.add(Block{Kind: BlanksBlock, Items: names}) }
func (s *script) choices(name string, items []string) {
	s.add(Block{Kind: ChoicesBlock, Text: name, Items: items})
}

func (s *script) table(head []string, widths []float64, rows [][]string) {
	s.add(Block{Kind: TableBlock, Items: head, Widths: widths, Rows: rows})
}

// block draws a block.
func (s *sheet) block(lc *words.Locale, b *Block, chart *view.Series) {
	switch b.Kind {
	case HeadingBlock:
		s.heading(b.Text)
	case BoldBlock:
		s.bold(b.Text)
	case ParaBlock:
		s.para(b.Text)
	case IndentedBlock:
		s.at(4, b.Text)
	case SmallBlock:
		s.small(b.Text)
	case CautionsBlock:
		s.frame(func() {
			for _, text := range b.Items {
				s.para(text)
			}
		})
	case TickBlock:
		s.tick(b.Text)
	case BlanksBlock:
		s.blanks(b.Items)
		s.Ln(1)
	case ChoicesBlock:
		s.choices(b.Text, b.Items)
	case TableBlock:
		s.table(b.Items, b.Widths, b.Rows)
	case EndBlock:
		s.room(56)
	case ChartBlock:
		drawSeries(lc, s, chart)
	}
}
