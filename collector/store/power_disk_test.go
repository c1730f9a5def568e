//go:build !race

package store

import (
	"bytes"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"hash/maphash"
	"io"
	"maps"
	"math/rand/v2"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/ncruces/go-sqlite3"
	sqlite "github.com/ncruces/go-sqlite3/driver"
	"github.com/ncruces/go-sqlite3/vfs"
)

// The store's own code runs here over the same engine as always, SQLite, but in
// a build of it whose file system is made of Go: a disk in memory that writes
// down what is done to it.

const powerDriver = "sqlite-power"

func init() {
	sql.Register(powerDriver, powerDrivers{})
	vfs.Register("power", powerVFS{})
}

// powerDisks are the disks in use, by folder.
var powerDisks sync.Map

var powerNumber atomic.Int64

// powerDisk is a disk with one folder.
type powerDisk struct {
	folder string
	shared string // folder of a real file system, for memory that connections share

	mu     sync.Mutex
	names  map[string]*powerNode // by base name
	log    []powerAct
	phase  string
	mutant *powerMutant

	calls  int
	said   []string // what the calls were
	failAt int      // the call that fails; 0: none
	how    powerFault
	hit    string // what failed

	failSync string // the file whose next sync fails
}

// powerFault is how a call fails.
type powerFault string

const (
	powerRefused powerFault = "not done"
	powerFull    powerFault = "no space"
	powerHalf    powerFault = "half done" // of a write
	powerDone    powerFault = "done all the same"
)

type powerNode struct {
	id    int
	name  string // base name when it was made
	data  []byte
	dirty []powerWrite // not synced

	// Locks between connections.
	shared            int
	pending, reserved bool
}

type powerOp int

const (
	powerCreate powerOp = iota
	powerWritten
	powerSync
	powerRemove
	powerSyncDir
	powerNothing // was left out
)

// powerAct is one thing that was done to a disk.
type powerAct struct {
	op     powerOp
	node   *powerNode
	name   string
	write  powerWrite
	failed bool   // a sync
	what   string // a sync: of what
}

// powerWrite is bytes at an offset, or, without bytes, a new size.
type powerWrite struct {
	at     int64
	data   []byte
	sure   bool
	doomed bool // was there when a sync failed: no later sync writes it
}

func newPowerDisk(shared string) *powerDisk {
	d := &powerDisk{folder: fmt.Sprintf("/power-%d", powerNumber.Add(1)), shared: shared, names: map[string]*powerNode{}}
	powerDisks.Store(d.folder, d)
	return d
}

// gone forgets a disk.
func (d *powerDisk) gone() { powerDisks.Delete(d.folder) }

func (d *powerDisk) path() string { return filepath.Join(d.folder, "store.db") }

// powerDrivers opens connections to disks.
type powerDrivers struct{}

func (powerDrivers) Open(name string) (driver.Conn, error) {
	u, err := url.Parse(name)
	if err != nil {
		return nil, err
	}
	d, ok := powerDisks.Load(filepath.Dir(u.Path))
	if !ok {
		return nil, fmt.Errorf("no disk %s", u.Path)
	}
	q := u.Query()
	q.Set("vfs", "power")
	pragmas := q["_pragma"]
	for i := range pragmas {
		pragmas[i] = strings.Replace(pragmas[i], "wal_autocheckpoint(8192)", "wal_autocheckpoint(40)", 1)
	}
	m := d.(*powerDisk).mutant
	if m != nil {
		for i := range pragmas {
			pragmas[i] = m.pragma(pragmas[i])
		}
	}
	u.RawQuery = q.Encode()
	c, err := (&sqlite.SQLite{}).Open(u.String())
	if err != nil || m == nil {
		return c, err
	}
	return &powerConn{c.(powerEngine), m}, nil
}

// powerEngine is what connections of the engine can do.
type powerEngine interface {
	driver.Conn
	driver.ConnPrepareContext
	driver.ConnBeginTx
	driver.ExecerContext
}

// powerVFS finds the disk of a file.
type powerVFS struct{}

func (powerVFS) FullPathname(name string) (string, error) { return name, nil }

func (powerVFS) disk(name string) (*powerDisk, string, error) {
	d, ok := powerDisks.Load(filepath.Dir(name))
	if !ok {
		return nil, "", sqlite3.CANTOPEN
	}
	return d.(*powerDisk), filepath.Base(name), nil
}

func (v powerVFS) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	if name == "" {
		return &powerHandle{node: &powerNode{}}, flags, nil
	}
	d, base, err := v.disk(name)
	if err != nil {
		return nil, flags, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	do, err := d.call("open " + base)
	node := d.names[base]
	if node == nil && do && flags&vfs.OPEN_CREATE != 0 {
		node = &powerNode{id: len(d.log), name: base}
		d.names[base] = node
		d.log = append(d.log, powerAct{op: powerCreate, node: node, name: base})
	}
	if err != nil || node == nil {
		return nil, flags, sqlite3.CANTOPEN
	}
	const journals = vfs.OPEN_MAIN_JOURNAL | vfs.OPEN_SUPER_JOURNAL | vfs.OPEN_WAL
	h := &powerHandle{disk: d, node: node, folder: flags&vfs.OPEN_CREATE != 0 && flags&journals != 0}
	if d.shared != "" {
		h.shm = vfs.NewSharedMemory(filepath.Join(d.shared, filepath.Base(d.folder)+"-shm"), flags)
	}
	return h, flags, nil
}

func (v powerVFS) Delete(name string, syncDir bool) error {
	d, base, err := v.disk(name)
	if err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	do, err := d.call("delete " + base)
	if d.names[base] == nil {
		return sqlite3.IOERR_DELETE_NOENT
	}
	if do {
		delete(d.names, base)
		d.log = append(d.log, powerAct{op: powerRemove, name: base})
		if syncDir {
			d.syncDir("removal of " + base)
		}
	}
	return err
}

func (v powerVFS) Access(name string, _ vfs.AccessFlag) (bool, error) {
	d, base, err := v.disk(name)
	if err != nil {
		return false, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	_, err = d.call("access " + base)
	return d.names[base] != nil, err
}

// call counts a call and tells whether it is carried out, and how it ends.
func (d *powerDisk) call(what string) (do bool, err error) {
	d.calls++
	d.said = append(d.said, what)
	if d.failSync != "" && what == "sync "+d.failSync {
		d.failSync = ""
		return false, sqlite3.IOERR_FSYNC
	}
	if d.calls != d.failAt {
		return true, nil
	}
	d.hit = what
	switch d.how {
	case powerFull:
		return false, sqlite3.FULL
	case powerDone:
		return true, sqlite3.IOERR
	default:
		return false, sqlite3.IOERR
	}
}

func (d *powerDisk) syncDir(what string) {
	d.log = append(d.log, powerAct{op: powerSyncDir, what: "folder after " + what})
}

// powerHandle is an open file. Files without a disk are for the engine's own
// scratch work.
type powerHandle struct {
	disk   *powerDisk
	node   *powerNode
	folder bool // the first sync is also one of the folder
	level  vfs.LockLevel
	shm    vfs.SharedMemory
}

var (
	_ vfs.FileSharedMemory = (*powerHandle)(nil)
	_ vfs.FileLockState    = (*powerHandle)(nil)
)

func (h *powerHandle) SharedMemory() vfs.SharedMemory { return h.shm }
func (h *powerHandle) LockState() vfs.LockLevel       { return h.level }
func (h *powerHandle) SectorSize() int                { return 4096 }

// DeviceCharacteristics are those that the engine takes files to have on Linux.
func (h *powerHandle) DeviceCharacteristics() vfs.DeviceCharacteristic {
	return vfs.IOCAP_POWERSAFE_OVERWRITE
}

// enter begins a call.
func (h *powerHandle) enter(what string) (do bool, leave func(), err error) {
	if h.disk == nil {
		return true, func() {}, nil
	}
	h.disk.mu.Lock()
	do, err = h.disk.call(what + " " + h.node.name)
	return do, h.disk.mu.Unlock, err
}

func (h *powerHandle) Close() error {
	if h.shm != nil {
		if err := h.shm.Close(); err != nil {
			return err
		}
	}
	return h.Unlock(vfs.LOCK_NONE)
}

func (h *powerHandle) ReadAt(b []byte, at int64) (int, error) {
	_, leave, err := h.enter("read")
	defer leave()
	if err != nil {
		return 0, err
	}
	if at >= int64(len(h.node.data)) {
		return 0, io.EOF
	}
	n := copy(b, h.node.data[at:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

func (h *powerHandle) WriteAt(b []byte, at int64) (int, error) {
	do, leave, err := h.enter("write")
	defer leave()
	switch {
	case do:
	case h.disk.how == powerHalf:
		b = b[:len(b)/2]
	default:
		b = nil
	}
	if len(b) > 0 {
		h.change(powerWrite{at: at, data: bytes.Clone(b)})
	}
	return len(b), err
}

func (h *powerHandle) change(w powerWrite) {
	h.node.data = w.apply(h.node.data)
	if h.disk != nil {
		h.node.dirty = append(h.node.dirty, w)
		h.disk.log = append(h.disk.log, powerAct{op: powerWritten, node: h.node, name: h.node.name, write: w})
	}
}

// apply writes to b.
func (w *powerWrite) apply(b []byte) []byte {
	end := w.at + int64(len(w.data))
	if len(w.data) == 0 && end < int64(len(b)) {
		return b[:end:end]
	}
	if end > int64(len(b)) {
		b = append(b, make([]byte, end-int64(len(b)))...)
	}
	copy(b[w.at:], w.data)
	return b
}

func (h *powerHandle) Truncate(size int64) error {
	do, leave, err := h.enter("truncate")
	defer leave()
	if do {
		h.change(powerWrite{at: size})
	}
	return err
}

// Sync syncs also the folder, the first time that a journal may have been made,
// as the engine's own file system does.
func (h *powerHandle) Sync(vfs.SyncFlag) error {
	do, leave, err := h.enter("sync")
	defer leave()
	d := h.disk
	if d == nil {
		return nil
	}
	what := h.what()
	d.log = append(d.log, powerAct{op: powerSync, node: h.node, name: h.node.name, failed: !do, what: what})
	h.node.dirty = nil
	if do && h.folder {
		h.folder = false
		d.syncDir("creation of " + h.node.name)
	}
	return err
}

// what tells what a sync is of; "" when there is nothing to sync.
func (h *powerHandle) what() string {
	if len(h.node.dirty) == 0 {
		return ""
	}
	what := h.node.name
	if strings.HasSuffix(what, "-wal") {
		what += " frames"
		if w := h.node.dirty; len(w) == 1 && w[0].at == 0 {
			what = h.node.name + " header"
		}
	}
	if !strings.HasSuffix(what, "header") && !strings.HasSuffix(what, "journal") {
		what = strings.TrimSpace(h.disk.phase + " " + what)
	}
	return what
}

func (h *powerHandle) Size() (int64, error) {
	_, leave, err := h.enter("size")
	defer leave()
	return int64(len(h.node.data)), err
}

// Lock never waits: in these tests connections take turns.
func (h *powerHandle) Lock(level vfs.LockLevel) error {
	if h.level >= level {
		return nil
	}
	if h.disk != nil {
		h.disk.mu.Lock()
		defer h.disk.mu.Unlock()
	}
	switch n := h.node; level {
	case vfs.LOCK_SHARED:
		if n.pending {
			return sqlite3.BUSY
		}
		n.shared++
	case vfs.LOCK_RESERVED:
		if n.reserved {
			return sqlite3.BUSY
		}
		n.reserved = true
	case vfs.LOCK_EXCLUSIVE:
		if n.pending && h.level < vfs.LOCK_PENDING {
			return sqlite3.BUSY
		}
		n.pending, n.reserved, h.level = true, true, vfs.LOCK_PENDING
		if n.shared > 1 {
			return sqlite3.BUSY
		}
	}
	h.level = level
	return nil
}

func (h *powerHandle) Unlock(level vfs.LockLevel) error {
	if h.level <= level {
		return nil
	}
	if h.disk != nil {
		h.disk.mu.Lock()
		defer h.disk.mu.Unlock()
	}
	if h.level >= vfs.LOCK_RESERVED {
		h.node.reserved = false
	}
	if h.level >= vfs.LOCK_PENDING {
		h.node.pending = false
	}
	if level == vfs.LOCK_NONE {
		h.node.shared--
	}
	h.level = level
	return nil
}

func (h *powerHandle) CheckReservedLock() (bool, error) {
	if h.disk != nil {
		h.disk.mu.Lock()
		defer h.disk.mu.Unlock()
	}
	return h.node.reserved, nil
}

// powerCut is what is sure to be on a disk at a moment, and what may be.
type powerCut struct {
	names   map[string]*powerNode
	files   map[*powerNode]*powerFile
	entries []powerAct           // changes of the folder that were not synced, in order
	cut     map[int][]powerPiece // the unsynced writes, by size of a sector
}

// powerFile is bytes that are sure, and the writes after the first one that is
// not, in order.
type powerFile struct {
	base   []byte
	writes []powerWrite
}

// cutOf is a disk on which all is sure.
func cutOf(d *powerDisk) *powerCut {
	c := &powerCut{names: maps.Clone(d.names), files: map[*powerNode]*powerFile{}, cut: map[int][]powerPiece{}}
	for _, node := range c.names {
		c.files[node] = &powerFile{base: bytes.Clone(node.data)}
	}
	return c
}

func (c *powerCut) clone() *powerCut {
	n := &powerCut{names: maps.Clone(c.names), files: map[*powerNode]*powerFile{}, entries: slices.Clone(c.entries), cut: map[int][]powerPiece{}}
	for node, f := range c.files {
		n.files[node] = &powerFile{base: bytes.Clone(f.base), writes: slices.Clone(f.writes)}
	}
	return n
}

func (c *powerCut) file(node *powerNode) *powerFile {
	f := c.files[node]
	if f == nil {
		f = &powerFile{}
		c.files[node] = f
	}
	return f
}

// apply takes the next act into account.
func (c *powerCut) apply(a *powerAct) {
	switch a.op {
	case powerNothing:
		return
	case powerWritten:
		f := c.file(a.node)
		f.writes = append(f.writes, a.write)
	case powerSync:
		c.file(a.node).sync(a.failed)
	case powerSyncDir:
		for i := range c.entries {
			enter(c.names, &c.entries[i])
		}
		c.entries = nil
	default:
		c.entries = append(c.entries, *a)
	}
	clear(c.cut)
}

func (f *powerFile) sync(failed bool) {
	for i := range f.writes {
		w := &f.writes[i]
		w.doomed = w.doomed || failed && !w.sure
		w.sure = !w.doomed
	}
	n := 0
	for n < len(f.writes) && f.writes[n].sure {
		f.base = f.writes[n].apply(f.base)
		n++
	}
	f.writes = slices.Clone(f.writes[n:])
}

func enter(names map[string]*powerNode, a *powerAct) {
	if a.op == powerCreate {
		names[a.name] = a.node
	} else {
		delete(names, a.name)
	}
}

// powerPiece is a part of a write that arrives on the medium or doesn't.
type powerPiece struct {
	of    *powerNode
	write powerWrite
}

// pieces cuts the unsynced writes at the borders of sectors.
func (c *powerCut) pieces(sector int) []powerPiece {
	if list, ok := c.cut[sector]; ok {
		return list
	}
	var list []powerPiece
	for _, node := range slices.SortedFunc(maps.Keys(c.files), func(a, b *powerNode) int { return a.id - b.id }) {
		for _, w := range c.files[node].writes {
			if w.sure || len(w.data) == 0 {
				list = append(list, powerPiece{node, w})
				continue
			}
			for len(w.data) > 0 {
				n := min(len(w.data), sector-int(w.at)%sector)
				list = append(list, powerPiece{node, powerWrite{at: w.at, data: w.data[:n]}})
				w.at, w.data = w.at+int64(n), w.data[n:]
			}
		}
	}
	c.cut[sector] = list
	return list
}

// build makes the n-th state of a cut; of more than limit random ones. ok is
// false when there are no more.
func (c *powerCut) build(n, limit int, shared string, rng *rand.Rand) (d *powerDisk, ok bool) {
	sector := 512
	if n%3 == 2 {
		sector = 4096
	}
	list := c.pieces(sector)
	items := len(c.entries) + len(list)
	if n >= limit || items == 0 && n > 0 {
		return nil, false
	}
	took := func(int) bool { return rng.IntN(2) == 0 }
	some := rng.IntN(max(1, items))
	switch n {
	case 0:
		took = func(int) bool { return false }
	case 1:
		took = func(int) bool { return true }
	default:
		switch rng.IntN(6) {
		case 0: // the first ones
			took = func(i int) bool { return i < some }
		case 1: // the last ones
			took = func(i int) bool { return i >= some }
		case 2:
			took = func(i int) bool { return i != some }
		case 3: // many, but not all
			took = func(int) bool { return rng.IntN(8) > 0 }
		case 4: // few
			took = func(int) bool { return rng.IntN(8) == 0 }
		}
	}
	names := maps.Clone(c.names)
	for i := range c.entries {
		if took(i) {
			enter(names, &c.entries[i])
		}
	}
	d = newPowerDisk(shared)
	grown, noise := n > 1 && rng.IntN(2) == 0, rng.IntN(2) == 0
	for i, name := range slices.Sorted(maps.Keys(names)) {
		b := bytes.Clone(c.file(names[name]).base)
		for i := range list {
			p := &list[i]
			if p.of != names[name] {
				continue
			}
			if p.write.sure || took(len(c.entries)+i) {
				b = p.write.apply(b)
			} else if end := p.write.at + int64(len(p.write.data)); grown && end > int64(len(b)) {
				at := len(b)
				b = append(b, make([]byte, end-int64(len(b)))...)
				for ; noise && at < len(b); at++ {
					b[at] = byte(rng.Uint32())
				}
			}
		}
		d.names[name] = &powerNode{id: i, name: name, data: b}
	}
	return d, true
}

// killed is the disk as the next process finds it when only this one died, and
// what of it is sure.
func (c *powerCut) killed(shared string) (*powerDisk, *powerCut) {
	d := newPowerDisk(shared)
	n := &powerCut{names: map[string]*powerNode{}, files: map[*powerNode]*powerFile{}, cut: map[int][]powerPiece{}}
	as := map[*powerNode]*powerNode{nil: nil}
	for node, f := range c.files {
		b := bytes.Clone(f.base)
		for _, w := range f.writes {
			b = w.apply(b)
		}
		as[node] = &powerNode{id: node.id, name: node.name, data: b, dirty: slices.Clone(f.writes)}
		n.files[as[node]] = &powerFile{base: bytes.Clone(f.base), writes: slices.Clone(f.writes)}
	}
	for name, node := range c.names {
		n.names[name] = as[node]
	}
	d.names = maps.Clone(n.names)
	for _, e := range c.entries {
		if e.node != nil && as[e.node] == nil {
			as[e.node] = &powerNode{id: e.node.id, name: e.node.name}
		}
		e.node = as[e.node]
		n.entries = append(n.entries, e)
		enter(d.names, &e)
	}
	return d, n
}

// clone is a copy of what is on a disk.
func (d *powerDisk) clone() *powerDisk {
	n := newPowerDisk(d.shared)
	for name, node := range d.names {
		n.names[name] = &powerNode{id: node.id, name: node.name, data: bytes.Clone(node.data)}
	}
	return n
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
	return h.Sum64()
}

// same tells whether two cuts of the same disk allow the same states.
func (c *powerCut) same(d *powerCut) bool {
	if len(c.entries) != len(d.entries) || !maps.Equal(c.names, d.names) {
		return false
	}
	for node, f := range c.files {
		g := d.file(node)
		if len(f.writes) != len(g.writes) || len(f.base) != len(g.base) {
			return false
		}
	}
	for node := range d.files {
		c.file(node)
	}
	return len(c.files) == len(d.files)
}
