package spool

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// The records of these tests are their own names; that a note is needed to make
// a record of what is held is the owner's business.
const (
	boot  = "37dd3548-c36f-495f-9d6d-6ace5ccdf601"
	note  = "as it is"
	memHd = memDir + "/" + heldFile
)

// station is what an agent does with its spool while its clock is not set, and
// then is.
type station struct {
	s     *Spool
	safe  map[string]bool // acknowledged by Hold or Append
	given map[string]int64
}

func (st *station) hold(name string) {
	if st.s.Hold([]byte(name)) == nil {
		st.safe[name] = true
	}
}

// release appends what is held, two at a time.
func (st *station) release() {
	if _, fixed := st.s.Fixed(); !fixed {
		if st.s.Fix(note) != nil {
			return
		}
	}
	for {
		if _, fixed := st.s.Fixed(); !fixed {
			return
		}
		list := st.s.Held()
		st.append(list[:min(2, len(list))]...)
	}
}

func (st *station) append(list ...[]byte) {
	first := st.s.Last() + 1
	if err := st.s.Append(first, list); err != nil {
		st.s.Skip(int64(len(list)), ReasonIO)
		for _, p := range list {
			delete(st.safe, string(p)) // given up, and counted
		}
		return
	}
	for i, p := range list {
		st.safe[string(p)] = true
		st.given[string(p)] = first + int64(i)
	}
}

// work fails nowhere: a failing disk makes it lose records, counted.
func (st *station) work() {
	for i := range 3 {
		st.hold(fmt.Sprint("early ", i))
	}
	st.release()
	st.append([]byte("live 1"))
	for i := range 5 {
		st.hold(fmt.Sprint("late ", i))
	}
	if len(st.given) > 1 {
		_ = st.s.Forget(2)
	}
	st.release()
	st.append([]byte("live 2"))
	st.hold("last")
}

func openHeld(fsys *memFS, boot string) (*station, error) {
	s, err := Open(memDir, Options{FS: fsys, Boot: boot, SegmentBytes: 200})
	return &station{s: s, safe: map[string]bool{}, given: map[string]int64{}}, err
}

// after opens the spool as a later process does, and looks for each record.
func (st *station) after(t *testing.T, fsys *memFS, boot string, same bool) {
	t.Helper()
	next, err := openHeld(fsys, boot)
	require.NoError(t, err)
	balance(t, next.s)
	if _, fixed := next.s.Fixed(); fixed {
		next.release()
	}
	next.s.Skip(next.s.Torn(), ReasonTorn)
	balance(t, next.s)
	next.release()
	balance(t, next.s)
	require.Zero(t, next.s.Status().Waiting)
	count := map[string]int{}
	require.NoError(t, next.s.Each(0, func(_ int64, p []byte) bool {
		count[string(p)]++
		return true
	}))
	for name, n := range count {
		require.Equal(t, 1, n, "%s was sent under two numbers", name)
	}
	upto := next.s.Status().Upto
	for name := range st.safe {
		seq, given := st.given[name]
		if count[name] == 0 && (!given || seq > upto) && (same || given) {
			require.Fail(t, "a record is lost", "%s, seq %d of %d: %v", name, seq, next.s.Last(), next.s.Status())
		}
	}
	require.NoError(t, next.s.Close())
}

// TestHeldFaultAtEachOperation fails each operation in turn, and looks at what
// a kill and a power cut leave, within the same boot and in another one.
func TestHeldFaultAtEachOperation(t *testing.T) {
	for _, did := range []bool{false, true} {
		for _, cut := range []bool{false, true} {
			for k := 1; ; k++ {
				fsys := newMemFS()
				fsys.failAt, fsys.did = k, did
				if cut {
					fsys.onFail = func() { panic(powerGone{}) }
				}
				st := &station{}
				func() {
					defer func() {
						if r := recover(); r != nil && r != (powerGone{}) {
							panic(r)
						}
					}()
					opened, err := openHeld(fsys, boot)
					if err == nil {
						st = opened
						st.work()
					}
				}()
				if fsys.failed == "" {
					require.Greater(t, k, 60)
					break
				}
				t.Run(fmt.Sprintf("%d %s did=%v cut=%v", k, fsys.failed, did, cut), func(t *testing.T) {
					for _, share := range []float64{0, 0.5, 1} {
						st.after(t, fsys.powerCut(share), boot, true)
						st.after(t, fsys.powerCut(share), "another boot", false)
					}
					st.after(t, fsys.kill(), boot, true)
				})
			}
		}
	}
}

// heldSpool returns the files of a killed process that held n records.
func heldSpool(t *testing.T, n int) map[string][]byte {
	t.Helper()
	fsys := newMemFS()
	st, err := openHeld(fsys, boot)
	require.NoError(t, err)
	st.append([]byte("before"))
	for i := range n {
		st.hold(fmt.Sprint("held ", i))
	}
	return fsys.powerCut(0).contents()
}

func names(s *Spool) (list []string) {
	for _, p := range s.Held() {
		list = append(list, string(p))
	}
	return list
}

func TestHeldSurvivesTheProcess(t *testing.T) {
	files := heldSpool(t, 4)
	st, err := openHeld(diskOf(files), boot)
	require.NoError(t, err)
	require.Equal(t, []string{"held 0", "held 1", "held 2", "held 3"}, names(st.s))
	require.Equal(t, int64(1), st.s.Last(), "they have no number")
	require.Equal(t, int64(5), st.s.Status().Sampled)
	require.Equal(t, int64(4), st.s.Status().Waiting)
	require.NoError(t, st.s.Close())
}

func TestHeldOfAnotherBoot(t *testing.T) {
	for name, now := range map[string]string{"another": "e4c5f2be-1111-4222-8333-944444444444", "unknown": ""} {
		t.Run(name, func(t *testing.T) {
			disk := diskOf(heldSpool(t, 4))
			st, err := openHeld(disk, now)
			require.NoError(t, err)
			require.Empty(t, st.s.Held())
			require.Equal(t, map[string]int64{ReasonNoClock: 4}, st.s.Status().Discarded)
			require.Equal(t, int64(1), st.s.Last(), "they use up no number")
			balance(t, st.s)
			require.NotContains(t, disk.contents(), memHd)
			st, err = openHeld(disk.powerCut(0), boot)
			require.NoError(t, err)
			require.Equal(t, map[string]int64{ReasonNoClock: 4}, st.s.Status().Discarded, "not counted twice")
			require.NoError(t, st.s.Close())
		})
	}
}

// TestHeldOfAnUnknownBoot does not mistake one boot that can't be told for
// another.
func TestHeldOfAnUnknownBoot(t *testing.T) {
	fsys := newMemFS()
	st, err := openHeld(fsys, "")
	require.NoError(t, err)
	st.hold("one")
	st, err = openHeld(fsys.kill(), "")
	require.NoError(t, err)
	require.Equal(t, map[string]int64{ReasonNoClock: 1}, st.s.Status().Discarded)
}

// TestFixedOutlivesTheBoot has times, so it is not lost.
func TestFixedOutlivesTheBoot(t *testing.T) {
	disk := diskOf(heldSpool(t, 3))
	st, err := openHeld(disk, boot)
	require.NoError(t, err)
	require.NoError(t, st.s.Fix(note))
	require.NoError(t, st.s.Fix("a second time"), "changes nothing")
	require.ErrorContains(t, st.s.Hold([]byte("x")), "must be appended or skipped before")
	st.append(st.s.Held()[:1]...)
	st, err = openHeld(disk.powerCut(0), "another boot")
	require.NoError(t, err)
	got, ok := st.s.Fixed()
	require.True(t, ok)
	require.Equal(t, note, got)
	require.Equal(t, []string{"held 1", "held 2"}, names(st.s))
	balance(t, st.s)
	st.release()
	require.Equal(t, int64(4), st.s.Last())
	require.Equal(t, int64(4), st.s.Status().Sampled)
	require.Empty(t, st.s.Status().Discarded)
	balance(t, st.s)
	require.NoError(t, st.s.Close())
}

// TestHeldIsBounded drops the oldest, and keeps the file small.
func TestHeldIsBounded(t *testing.T) {
	fsys := newMemFS()
	st, err := openHeld(fsys, boot)
	require.NoError(t, err)
	most := 0
	for i := range 3*maxHeld + 10 {
		st.hold(fmt.Sprintf("%06d", i))
		most = max(most, len(fsys.contents()[memHd]))
	}
	require.LessOrEqual(t, most, heldHeader+2*maxHeld*(recordHeader+6))
	check := func(s *Spool) {
		require.Len(t, s.Held(), maxHeld)
		require.Equal(t, fmt.Sprintf("%06d", 2*maxHeld+10), string(s.Held()[0]))
		require.Equal(t, map[string]int64{ReasonNoClock: 2*maxHeld + 10}, s.Status().Discarded)
		balance(t, s)
	}
	check(st.s)
	st, err = openHeld(fsys.powerCut(0), boot)
	require.NoError(t, err)
	check(st.s)
}

// TestHeldTooMany finds one too many after a kill between file and state.
func TestHeldTooMany(t *testing.T) {
	fsys := newMemFS()
	st, err := openHeld(fsys, boot)
	require.NoError(t, err)
	for i := range maxHeld {
		st.hold(fmt.Sprint(i))
	}
	fsys.failAt, fsys.onFail = fsys.ops+3, func() { panic(powerGone{}) } // write, sync, and then the state
	require.Panics(t, func() { st.hold("one more") })
	st, err = openHeld(fsys.powerCut(0), boot)
	require.NoError(t, err)
	require.Len(t, st.s.Held(), maxHeld)
	require.Equal(t, map[string]int64{ReasonNoClock: 1}, st.s.Status().Discarded)
	balance(t, st.s)
}

// TestHeldOneFlippedBit flips each bit of the file: one record at most is
// lost, or the boot can't be told; all of it is counted.
func TestHeldOneFlippedBit(t *testing.T) {
	for _, fix := range []bool{false, true} {
		files := heldSpool(t, 3)
		if fix {
			disk := diskOf(files)
			st, err := openHeld(disk, boot)
			require.NoError(t, err)
			require.NoError(t, st.s.Fix(note))
			files = disk.powerCut(0).contents()
		}
		for bit := range len(files[memHd]) * 8 {
			b := slices.Clone(files[memHd])
			b[bit/8] ^= 1 << (bit % 8)
			disk := diskOf(with(files, memHd, b))
			st, err := openHeld(disk, boot)
			require.NoError(t, err)
			balance(t, st.s)
			lost := st.s.Status().Discarded[ReasonCorrupt]
			require.LessOrEqual(t, lost, int64(1), "bit %d", bit)
			if bit >= heldHeader*8 {
				require.Equal(t, int64(3), lost+int64(len(st.s.Held())), "bit %d", bit)
			}
			st, err = openHeld(disk.powerCut(0), boot)
			require.NoError(t, err)
			require.Equal(t, lost, st.s.Status().Discarded[ReasonCorrupt], "not counted twice")
			st.release()
			balance(t, st.s)
			require.Equal(t, st.s.Last(), st.s.Status().Sampled-lost-st.s.Status().Discarded[ReasonNoClock])
			require.NoError(t, st.s.Close())
		}
	}
}

// TestTheOnlyHeldIsDamaged leaves none.
func TestTheOnlyHeldIsDamaged(t *testing.T) {
	files := heldSpool(t, 1)
	files[memHd][len(files[memHd])-1] ^= 1
	st, err := openHeld(diskOf(files), boot)
	require.NoError(t, err)
	require.Empty(t, st.s.Held())
	require.Equal(t, map[string]int64{ReasonCorrupt: 1}, st.s.Status().Discarded)
	balance(t, st.s)
}

func TestHeldAndTheStateLost(t *testing.T) {
	files := heldSpool(t, 3)
	delete(files, memState)
	st, err := openHeld(diskOf(files), boot)
	require.NoError(t, err)
	require.Empty(t, st.s.Held(), "whether they have a number already, nobody knows")
	require.Equal(t, map[string]int64{ReasonUnknown: 3}, st.s.Status().Discarded)
	balance(t, st.s)
}

// TestReceiptBeyondFixed takes the numbers away that were meant for what is
// held.
func TestReceiptBeyondFixed(t *testing.T) {
	for _, fail := range []bool{false, true} {
		disk := diskOf(heldSpool(t, 3))
		st, err := openHeld(disk, boot)
		require.NoError(t, err)
		require.NoError(t, st.s.Fix(note))
		st.append(st.s.Held()[:1]...)
		if fail {
			disk.failAt = disk.ops + 2 // the state
		}
		require.NoError(t, st.s.Forget(20))
		balance(t, st.s)
		_, fixed := st.s.Fixed()
		require.False(t, fixed)
		require.Equal(t, []string{"held 1", "held 2"}, names(st.s))
		st.append([]byte("live"))
		require.Equal(t, int64(21), st.s.Last())
		st, err = openHeld(disk.powerCut(0), boot)
		require.NoError(t, err)
		require.Equal(t, []string{"held 1", "held 2"}, names(st.s), "fail=%v", fail)
		balance(t, st.s)
	}
}

func TestHoldRefuses(t *testing.T) {
	st, err := openHeld(newMemFS(), boot)
	require.NoError(t, err)
	require.ErrorContains(t, st.s.Hold(make([]byte, MaxRecord+1)), "at most")
	require.Zero(t, st.s.Status().Waiting)
	require.NoError(t, st.s.Fix(note), "nothing to fix")
	require.NoError(t, st.s.Close())
	require.ErrorIs(t, st.s.Hold([]byte("x")), ErrClosed)
	require.ErrorIs(t, st.s.Fix(note), ErrClosed)
}

// A header that is sound and says what can't be is none.
func TestHeldHeaderOfNonsense(t *testing.T) {
	from, same := readHeldHeader(appendHeldHeader(nil, "boot", most), "boot")
	require.Equal(t, int64(most), from)
	require.True(t, same)
	for _, n := range []int64{-1, most + 1, math.MaxInt64, math.MinInt64} {
		from, same = readHeldHeader(appendHeldHeader(nil, "boot", n), "boot")
		require.Zero(t, from)
		require.False(t, same)
	}
}
