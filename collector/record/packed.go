package record

// Packed tells what packing closed days by columns did.
type Packed struct {
	Days     int64 // of stations
	Readings int64
	Before   int64 // bytes that the readings took
	After    int64
	Changed  int64 // days left alone, as they changed meanwhile
}

// Add adds what another round did.
func (p *Packed) Add(o Packed) {
	p.Days += o.Days
	p.Readings += o.Readings
	p.Before += o.Before
	p.After += o.After
	p.Changed += o.Changed
}
