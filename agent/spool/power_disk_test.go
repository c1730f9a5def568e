package spool

import (
	"bytes"
	"errors"
	"fmt"
	"hash/maphash"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
)

// powerDisk is a disk in memory that writes down what is done to it, so that
// all can be built that a power cut may have left at any moment.
type powerDisk struct {
	names  map[string]*powerNode
	dirs   map[string]bool
	log    []powerAct
	traced bool // acts say by whose call they were done

	stale bool // bytes of other files stand where none were written

	calls  int
	failAt int // the call that fails; 0: none
	how    powerFault
}

// powerFault is how a call fails.
type powerFault string

const (
	powerRefused powerFault = "not done"
	powerFull    powerFault = "no space"
	powerHalf    powerFault = "half done" // of a write
	powerDone    powerFault = "done all the same"
	powerKilled  powerFault = "killed"
)

// powerKill is the panic that ends a process.
type powerKill struct{}

type powerNode struct {
	id   int // by creation
	data []byte
}

type powerOp int

const (
	powerMkdir powerOp = iota
	powerCreate
	powerWrite
	powerSync
	powerRename
	powerRemove
	powerSyncDir
	powerNothing // was left out
)

// powerAct is one thing that was done to a disk.
type powerAct struct {
	op       powerOp
	node     *powerNode
	name, to string
	at       int
	data     []byte
	failed   bool   // a sync
	call     int    // number of the call
	chain    string // the calling functions of the spool, inner ones first
}

func newPowerDisk() *powerDisk {
	return &powerDisk{names: map[string]*powerNode{}, dirs: map[string]bool{"/": true}}
}

// clone is a copy of what is on a disk.
func (d *powerDisk) clone() *powerDisk {
	c := &powerDisk{names: map[string]*powerNode{}, dirs: maps.Clone(d.dirs), stale: d.stale}
	for name, node := range d.names {
		c.names[name] = &powerNode{id: node.id, data: bytes.Clone(node.data)}
	}
	return c
}

// call counts a call and tells whether it is carried out, and how it ends.
func (d *powerDisk) call() (do bool, err error) {
	d.calls++
	if d.calls != d.failAt {
		return true, nil
	}
	switch d.how {
	case powerKilled:
		panic(powerKill{})
	case powerFull:
		return false, syscall.ENOSPC
	case powerDone:
		return true, syscall.EIO
	default:
		return false, syscall.EIO
	}
}

func (d *powerDisk) note(a powerAct) {
	if d.traced {
		a.chain = powerChain()
	}
	a.call = d.calls
	d.log = append(d.log, a)
}

// powerChain names the functions of the spool that led here, inner ones first.
func powerChain() string {
	var pcs [24]uintptr
	frames := runtime.CallersFrames(pcs[:runtime.Callers(3, pcs[:])])
	var chain []string
	for {
		f, more := frames.Next()
		switch {
		case !strings.HasSuffix(f.File, "_test.go"):
			name, _, _ := strings.Cut(f.Function[strings.LastIndexByte(f.Function, '.')+1:], "-range")
			chain = append(chain, name)
		case len(chain) > 0:
			more = false
		}
		if !more {
			return strings.Join(chain, "<")
		}
	}
}

func (d *powerDisk) Mkdir(dir string) error {
	do, err := d.call()
	if do && !d.dirs[filepath.Dir(dir)] {
		return errors.Join(err, fs.ErrNotExist)
	}
	if do && d.dirs[dir] {
		return errors.Join(err, fs.ErrExist)
	}
	if do {
		d.dirs[dir] = true
		d.note(powerAct{op: powerMkdir, name: dir})
	}
	return err
}

func (d *powerDisk) create(name string, excl bool) (File, error) {
	do, err := d.call()
	if !d.dirs[filepath.Dir(name)] {
		return nil, fs.ErrNotExist
	}
	node, there := d.names[name]
	if err == nil && there && excl {
		return nil, fs.ErrExist
	}
	if do && !there {
		node = &powerNode{id: len(d.log)}
		d.names[name] = node
		d.note(powerAct{op: powerCreate, node: node, name: name})
	}
	if err != nil {
		return nil, err
	}
	return &powerHandle{d, node, name}, nil
}

func (d *powerDisk) Create(name string) (File, error)     { return d.create(name, true) }
func (d *powerDisk) OpenAppend(name string) (File, error) { return d.create(name, false) }

func (d *powerDisk) Open(name string) (File, error) {
	if _, err := d.call(); err != nil {
		return nil, err
	}
	node, ok := d.names[name]
	if !ok {
		return nil, fs.ErrNotExist
	}
	return &powerHandle{d, node, name}, nil
}

func (d *powerDisk) Rename(from, to string) error {
	do, err := d.call()
	node, ok := d.names[from]
	if !ok {
		return errors.Join(err, fs.ErrNotExist)
	}
	if do {
		d.names[to] = node
		delete(d.names, from)
		d.note(powerAct{op: powerRename, node: node, name: from, to: to})
	}
	return err
}

func (d *powerDisk) Remove(name string) error {
	do, err := d.call()
	if _, ok := d.names[name]; !ok {
		return errors.Join(err, fs.ErrNotExist)
	}
	if do {
		delete(d.names, name)
		d.note(powerAct{op: powerRemove, name: name})
	}
	return err
}

func (d *powerDisk) Names(dir string) ([]string, error) {
	if _, err := d.call(); err != nil {
		return nil, err
	}
	var list []string
	for name := range d.names {
		if filepath.Dir(name) == dir {
			list = append(list, filepath.Base(name))
		}
	}
	return list, nil
}

func (d *powerDisk) SyncDir(dir string) error {
	do, err := d.call()
	if do {
		d.note(powerAct{op: powerSyncDir, name: dir})
	}
	return err
}

func (d *powerDisk) Lock(string) (io.Closer, error) {
	_, err := d.call()
	return io.NopCloser(nil), err
}

// powerHandle is an open file.
type powerHandle struct {
	disk *powerDisk
	node *powerNode
	name string
}

func (h *powerHandle) Write(b []byte) (int, error) {
	do, err := h.disk.call()
	switch {
	case do:
	case h.disk.how == powerHalf:
		b = b[:len(b)/2]
	default:
		b = nil
	}
	if len(b) > 0 {
		h.disk.note(powerAct{op: powerWrite, node: h.node, name: h.name, at: len(h.node.data), data: bytes.Clone(b)})
		h.node.data = append(h.node.data, b...)
	}
	return len(b), err
}

func (h *powerHandle) ReadAt(b []byte, at int64) (int, error) {
	if _, err := h.disk.call(); err != nil {
		return 0, err
	}
	if at > int64(len(h.node.data)) {
		return 0, io.EOF
	}
	n := copy(b, h.node.data[at:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

func (h *powerHandle) Size() (int64, error) {
	_, err := h.disk.call()
	return int64(len(h.node.data)), err
}

func (h *powerHandle) Sync() error {
	do, err := h.disk.call()
	h.disk.note(powerAct{op: powerSync, node: h.node, name: h.name, failed: !do})
	return err
}

func (h *powerHandle) Close() error {
	_, err := h.disk.call()
	return err
}

// powerCut is what is sure to be on a disk at a moment, and what may be.
type powerCut struct {
	names   map[string]*powerNode
	dirs    map[string]bool
	files   map[*powerNode]*powerFile
	entries []powerAct           // changes of folders that were not synced, in order
	stale   []byte               // what freed blocks may still hold
	tainted bool                 // so does what is sure
	cut     map[int][]powerPiece // the unsynced writes, by size of a sector
}

// powerFile is a file's bytes that are sure, and writes that were not synced.
type powerFile struct {
	sure []byte
	open []powerPiece
}

// powerPiece is a write, or a part of one. A doomed one was there when a sync
// failed: the system takes its pages for clean, and no later sync writes them.
type powerPiece struct {
	of     *powerNode // of a part
	at     int
	data   []byte
	doomed bool
}

// cutOf is a disk on which all is sure.
func cutOf(d *powerDisk) *powerCut {
	c := &powerCut{tainted: d.stale, names: maps.Clone(d.names), dirs: maps.Clone(d.dirs), files: map[*powerNode]*powerFile{}, cut: map[int][]powerPiece{}}
	for _, node := range c.names {
		c.files[node] = &powerFile{sure: bytes.Clone(node.data)}
	}
	return c
}

func (c *powerCut) file(node *powerNode) *powerFile {
	f := c.files[node]
	if f == nil {
		f = &powerFile{}
		c.files[node] = f
	}
	return f
}

// same tells whether two cuts of the same disk allow the same states.
func (c *powerCut) same(d *powerCut) bool {
	if len(c.entries) != len(d.entries) || !maps.Equal(c.names, d.names) || !maps.Equal(c.dirs, d.dirs) {
		return false
	}
	for i := range c.entries {
		a, b := &c.entries[i], &d.entries[i]
		if a.op != b.op || a.node != b.node || a.name != b.name {
			return false
		}
	}
	for node, f := range c.files {
		g := d.file(node)
		if len(f.open) != len(g.open) || len(f.sure) != len(g.sure) {
			return false
		}
	}
	for node := range d.files {
		c.file(node)
	}
	return len(c.files) == len(d.files)
}

// apply takes the next act into account.
func (c *powerCut) apply(a *powerAct) {
	clear(c.cut)
	switch a.op {
	case powerNothing:
	case powerWrite:
		f := c.file(a.node)
		f.open = append(f.open, powerPiece{at: a.at, data: a.data})
		if strings.HasSuffix(a.name, segmentSuffix) && len(c.stale) < 4096 {
			c.stale = append(c.stale, a.data...)
		}
	case powerSync:
		c.file(a.node).sync(a.failed)
	case powerSyncDir:
		c.entries = slices.DeleteFunc(c.entries, func(e powerAct) bool {
			mine := filepath.Dir(e.name) == a.name
			if mine {
				enter(c.names, c.dirs, &e)
			}
			return mine
		})
	default:
		c.entries = append(c.entries, *a)
	}
}

func (f *powerFile) sync(failed bool) {
	if failed {
		for i := range f.open {
			f.open[i].doomed = true
		}
		return
	}
	f.open = slices.DeleteFunc(f.open, func(p powerPiece) bool {
		if !p.doomed {
			f.sure = overlay(f.sure, p.at, p.data)
		}
		return !p.doomed
	})
}

// overlay writes data over b at an offset; what lies between is zero.
func overlay(b []byte, at int, data []byte) []byte {
	if end := at + len(data); end > len(b) {
		b = append(b, make([]byte, end-len(b))...)
	}
	copy(b[at:], data)
	return b
}

// enter changes folders.
func enter(names map[string]*powerNode, dirs map[string]bool, a *powerAct) {
	switch a.op {
	case powerMkdir:
		dirs[a.name] = true
	case powerCreate:
		names[a.name] = a.node
	case powerRename:
		delete(names, a.name)
		names[a.to] = a.node
	case powerRemove:
		delete(names, a.name)
	}
}

// pieces cuts the unsynced writes at the borders of sectors: the units that
// arrive on the medium or don't. Files stand in the order of their creation.
func (c *powerCut) pieces(sector int) []powerPiece {
	if list, ok := c.cut[sector]; ok {
		return list
	}
	var nodes []*powerNode
	for node, f := range c.files {
		if len(f.open) > 0 {
			nodes = append(nodes, node)
		}
	}
	slices.SortFunc(nodes, func(a, b *powerNode) int { return a.id - b.id })
	var list []powerPiece
	for _, node := range nodes {
		for _, p := range c.files[node].open {
			for len(p.data) > 0 {
				n := min(len(p.data), sector-p.at%sector)
				list = append(list, powerPiece{of: node, at: p.at, data: p.data[:n]})
				p.at, p.data = p.at+n, p.data[n:]
			}
		}
	}
	c.cut[sector] = list
	return list
}

// powerChoice is one of the states that a power cut can leave.
type powerChoice struct {
	sector int
	took   []bool // which changes of folders and which pieces arrived
	grown  bool   // files have the size of all writes, whether these arrived or not
	fill   int    // what stands where a piece did not arrive: zeros, noise, old bytes
}

// choice makes the n-th of all choices; of more than limit a random one. ok is
// false when there are no more.
func (c *powerCut) choice(n, limit int, rng *rand.Rand) (ch powerChoice, ok bool) {
	ch.sector = 512
	list := c.pieces(ch.sector)
	items := len(c.entries) + len(list)
	if items == 0 {
		return ch, n == 0
	}
	subsets := 1 << min(items, 20)
	all := 4 * subsets
	if all > limit && n%5 == 4 {
		ch.sector = 4096
		list = c.pieces(ch.sector)
		items = len(c.entries) + len(list)
	}
	ch.took = make([]bool, items)
	if all <= limit {
		if n >= all {
			return ch, false
		}
		for i := range ch.took {
			ch.took[i] = n>>i&1 != 0
		}
		ch.fillBy(n / subsets)
		return ch, true
	}
	if n >= limit {
		return ch, false
	}
	for i := range ch.took {
		switch which := (n - 2) % items; {
		case n < 2: // none; all
			ch.took[i] = n == 1
		case n-2 < items: // the first ones
			ch.took[i] = i <= which
		case n-2 < 2*items: // all but one
			ch.took[i] = i != which
		case n-2 < 3*items: // one
			ch.took[i] = i == which
		default:
			ch.took[i] = rng.IntN(2) == 0
		}
	}
	ch.fillBy(rng.IntN(4))
	return ch, true
}

func (ch *powerChoice) fillBy(variant int) {
	ch.grown, ch.fill = variant > 0, max(0, variant-1)
}

// build makes the disk of a choice.
func (c *powerCut) build(ch powerChoice, rng *rand.Rand) *powerDisk {
	d := &powerDisk{names: map[string]*powerNode{}, dirs: map[string]bool{}, stale: c.tainted}
	names, dirs := maps.Clone(c.names), maps.Clone(c.dirs)
	for i := range c.entries {
		if ch.took[i] {
			enter(names, dirs, &c.entries[i])
		}
	}
	var there func(dir string) bool
	there = func(dir string) bool { return dir == "/" || dirs[dir] && there(filepath.Dir(dir)) }
	for dir := range dirs {
		if there(dir) {
			d.dirs[dir] = true
		}
	}
	list := c.pieces(ch.sector)
	took := ch.took[len(c.entries):]
	for i, name := range slices.Sorted(maps.Keys(names)) {
		if !d.dirs[filepath.Dir(name)] {
			continue
		}
		node := names[name]
		b := bytes.Clone(c.file(node).sure)
		for i, p := range list {
			if p.of == node && (took[i] || ch.grown) {
				b = overlay(b, p.at, p.data)
			}
		}
		for i, p := range list {
			if p.of == node && !took[i] && p.at < len(b) {
				c.spoil(b[p.at:min(len(b), p.at+len(p.data))], ch.fill, rng)
				d.stale = d.stale || ch.fill == 2
			}
		}
		d.names[name] = &powerNode{id: i, data: b}
	}
	return d
}

// spoil is what stands on a medium where nothing arrived.
func (c *powerCut) spoil(b []byte, fill int, rng *rand.Rand) {
	clear(b)
	switch fill {
	case 1:
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
	case 2:
		copy(b, c.stale)
	}
}

var powerSeed = maphash.MakeSeed()

// sum tells disks apart.
func (d *powerDisk) sum() uint64 {
	var h maphash.Hash
	h.SetSeed(powerSeed)
	for _, name := range slices.Sorted(maps.Keys(d.names)) {
		fmt.Fprintf(&h, "%s %d\n", name, len(d.names[name].data))
		h.Write(d.names[name].data)
	}
	fmt.Fprint(&h, len(d.dirs))
	return h.Sum64()
}

func (c *powerCut) clone() *powerCut {
	n := &powerCut{tainted: c.tainted, names: maps.Clone(c.names), dirs: maps.Clone(c.dirs), files: map[*powerNode]*powerFile{}, cut: map[int][]powerPiece{}, entries: slices.Clone(c.entries), stale: bytes.Clone(c.stale)}
	for node, f := range c.files {
		n.files[node] = &powerFile{sure: bytes.Clone(f.sure), open: slices.Clone(f.open)}
	}
	return n
}
