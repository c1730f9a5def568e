package spool

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"sync"
)

// memFS is a disk in memory that knows what is durable. It can fail the k-th
// operation, with or without having carried it out, and can be cut off from
// power at any time.
type memFS struct {
	mu      sync.Mutex
	files   map[string]*memData // as the processes see it
	durable map[string]*memData // names that survive a power cut; data as of their own last sync

	ops    int // operations so far
	failAt int // the operation to fail; 0 is none
	did    bool
	failed string // the operation that failed
	onFail func() // called then, if set
}

type memData struct {
	now    []byte
	synced []byte
}

var errDisk = errors.New("input/output error")

func newMemFS() *memFS {
	return &memFS{files: map[string]*memData{}, durable: map[string]*memData{}}
}

// diskOf is a disk that holds the given files.
func diskOf(files map[string][]byte) *memFS {
	m := newMemFS()
	for name, b := range files {
		b = slices.Clone(b)
		d := &memData{now: b, synced: b}
		m.files[name], m.durable[name] = d, d
	}
	return m
}

// contents returns what the processes see.
func (m *memFS) contents() map[string][]byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	files := map[string][]byte{}
	for name, d := range m.files {
		files[name] = d.now
	}
	return files
}

// powerCut returns the disk as it is found after power returns: of unsynced
// bytes a share may have arrived.
func (m *memFS) powerCut(share float64) *memFS {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := newMemFS()
	for name, d := range m.durable {
		keep := len(d.synced) + int(float64(len(d.now)-len(d.synced))*share)
		b := append([]byte(nil), d.now[:keep]...)
		nd := &memData{now: b, synced: b}
		n.files[name], n.durable[name] = nd, nd
	}
	return n
}

// kill returns the disk as the next process finds it when only this one died.
func (m *memFS) kill() *memFS {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := newMemFS()
	for name, d := range m.files {
		n.files[name] = d
	}
	n.durable = maps.Clone(m.durable)
	return n
}

// op counts an operation. It returns an error when it is to fail; carried out
// tells whether it still takes effect.
func (m *memFS) op(name string) (carriedOut bool, err error) {
	m.ops++
	if m.ops == m.failAt {
		m.failed = name
		if m.onFail != nil {
			m.onFail()
		}
		return m.did, errDisk
	}
	return true, nil
}

func (m *memFS) Mkdir(string) error { return nil }

func (m *memFS) create(name string, excl bool) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	do, err := m.op("create " + filepath.Base(name))
	d, exists := m.files[name]
	if err == nil && exists && excl {
		return nil, fs.ErrExist
	}
	if do && !exists {
		d = &memData{}
		m.files[name] = d
	}
	if err != nil {
		return nil, err
	}
	return &memFile{fs: m, name: name, data: d}, nil
}

func (m *memFS) Create(name string) (File, error)     { return m.create(name, true) }
func (m *memFS) OpenAppend(name string) (File, error) { return m.create(name, false) }

func (m *memFS) Open(name string) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, err := m.op("open " + filepath.Base(name)); err != nil {
		return nil, err
	}
	d, ok := m.files[name]
	if !ok {
		return nil, fs.ErrNotExist
	}
	return &memFile{fs: m, name: name, data: d}, nil
}

func (m *memFS) Rename(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	do, err := m.op("rename " + filepath.Base(from))
	if do {
		d, ok := m.files[from]
		if !ok {
			return fs.ErrNotExist
		}
		m.files[to] = d
		delete(m.files, from)
	}
	return err
}

func (m *memFS) Remove(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	do, err := m.op("remove " + filepath.Base(name))
	if _, ok := m.files[name]; !ok && err == nil {
		return fs.ErrNotExist
	}
	if do {
		delete(m.files, name)
	}
	return err
}

func (m *memFS) Names(string) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, err := m.op("list"); err != nil {
		return nil, err
	}
	var list []string
	for name := range m.files {
		list = append(list, filepath.Base(name))
	}
	return list, nil
}

func (m *memFS) SyncDir(string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	do, err := m.op("sync directory")
	if do {
		m.durable = maps.Clone(m.files)
	}
	return err
}

func (m *memFS) Lock(string) (io.Closer, error) { return io.NopCloser(nil), nil }

type memFile struct {
	fs   *memFS
	name string
	data *memData
	bad  bool // a sync failed: what it lost never becomes durable
}

func (f *memFile) Write(b []byte) (int, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	do, err := f.fs.op("write " + filepath.Base(f.name))
	if err != nil && !do {
		b = b[:len(b)/2] // a short write
	}
	f.data.now = append(f.data.now, b...)
	return len(b), err
}

func (f *memFile) ReadAt(b []byte, at int64) (int, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	if _, err := f.fs.op("read " + filepath.Base(f.name)); err != nil {
		return 0, err
	}
	if at > int64(len(f.data.now)) {
		return 0, io.EOF
	}
	n := copy(b, f.data.now[at:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

func (f *memFile) Size() (int64, error) {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	return int64(len(f.data.now)), nil
}

// Sync behaves as Linux does: after a failure the pages count as clean, and
// the next sync reports success without having written them.
func (f *memFile) Sync() error {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	do, err := f.fs.op("sync " + filepath.Base(f.name))
	if do && !f.bad {
		f.data.synced = f.data.now[:len(f.data.now):len(f.data.now)]
	}
	if err != nil && !do {
		f.bad = true
	}
	return err
}

func (f *memFile) Close() error {
	f.fs.mu.Lock()
	defer f.fs.mu.Unlock()
	_, err := f.fs.op("close " + filepath.Base(f.name))
	return err
}
