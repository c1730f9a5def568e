package door

import (
	"sync"
	"time"
)

// The delay after a failure: none for the first few (people mistype), then
// from one second doubled up to five minutes, which leaves somebody who guesses
// 12 passwords an hour. An attempt within the delay is turned away unlooked at
// and doesn't lengthen it. There is no limit after which an account is locked
// (NIST SP 800-63B-4 section 3.2.2 has 100 failures in a row): it would let
// anybody lock its owner out.
const (
	freeTries   = 3
	delayLeast  = time.Second
	delayMost   = 5 * time.Minute
	forgetAfter = time.Hour
	triesKept   = 10_000 // entries, about 1 MB
)

// throttle counts attempts by key. It is safe for concurrent use. Time is
// passed in; where it goes backwards, delays begin anew from there.
type throttle struct {
	mu      sync.Mutex
	entries map[string]tries
}

type tries struct {
	failed int // or under way
	last   time.Time
}

func delay(failed int) time.Duration {
	if failed <= freeTries {
		return 0
	}
	return min(delayMost, delayLeast<<min(failed-freeTries-1, 20))
}

// admit counts an attempt under every key as failed, until passed says
// otherwise, and returns 0; or counts nothing and returns how long to wait.
// Counting first keeps many attempts at once from slipping by.
func (t *throttle) admit(now time.Time, keys ...string) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	var wait time.Duration
	for _, key := range keys {
		if e, ok := t.entries[key]; ok {
			if now.Sub(e.last) >= forgetAfter {
				delete(t.entries, key)
				continue
			}
			if e.last.After(now) {
				e.last = now
				t.entries[key] = e
			}
			wait = max(wait, e.last.Add(delay(e.failed)).Sub(now))
		}
	}
	if wait > 0 {
		return wait
	}
	for _, key := range keys {
		e, ok := t.entries[key]
		if !ok && len(t.entries) >= triesKept {
			t.makeRoom(now)
		}
		t.entries[key] = tries{e.failed + 1, now}
	}
	return 0
}

// passed forgets the failures under own, and takes back the one just counted
// under others: an attacker with an account of his own gains nothing by it.
func (t *throttle) passed(own string, others ...string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.entries, own)
	for _, key := range others {
		t.takeBack(key)
	}
}

// undone takes back an attempt that was not looked at after all.
func (t *throttle) undone(keys ...string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, key := range keys {
		t.takeBack(key)
	}
}

func (t *throttle) takeBack(key string) {
	if e, ok := t.entries[key]; ok && e.failed > 1 {
		e.failed--
		t.entries[key] = e
	} else {
		delete(t.entries, key)
	}
}

// makeRoom drops what is forgotten anyway, or else the entry with the fewest
// failures, of those the oldest: names and addresses made up to push out the
// one that is being guessed go first.
func (t *throttle) makeRoom(now time.Time) {
	var least string
	for key, e := range t.entries {
		if now.Sub(e.last) >= forgetAfter {
			delete(t.entries, key)
			continue
		}
		if l := t.entries[least]; least == "" || e.failed < l.failed || e.failed == l.failed && e.last.Before(l.last) {
			least = key
		}
	}
	if len(t.entries) >= triesKept {
		delete(t.entries, least)
	}
}
