package door

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"dewpost/collector/record"
)

// firstCode lets whoever can read a file on the collector's machine make the
// first account. Only its hash is kept in memory.
type firstCode struct {
	hash []byte
	path string
}

// CodePath is the file with the code for the first account, beside the store.
func CodePath(store string) string { return store + ".first-code" }

// codeLength is of characters of 5 bits: 100 bits.
const codeLength = 20

// PrepareFirst writes a new code for the first account into the file at path,
// with mode 0600, while there is no account, and tells whether it did. An older
// file is removed in any case: its code died with the process that made it.
func (d *Door) PrepareFirst(ctx context.Context, path string) (bool, error) {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return false, fmt.Errorf("code for the first account: %w", err)
	}
	if there, err := d.HasAccounts(ctx); err != nil || there {
		return false, err
	}
	code := rand.Text()[:codeLength]
	var groups []string
	for i := 0; i < len(code); i += 4 {
		groups = append(groups, code[i:i+4])
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return false, fmt.Errorf("code for the first account: %w", err)
	}
	_, err = f.WriteString(strings.Join(groups, "-") + "\n")
	if err := errors.Join(err, f.Close()); err != nil {
		return false, fmt.Errorf("code for the first account: %w", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.first = &firstCode{hashOf(code), path}
	return true, nil
}

// FirstFile is the name of the file that holds the code, "" while there is
// none.
func (d *Door) FirstFile() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.first == nil {
		return ""
	}
	return filepath.Base(d.first.path)
}

// First makes the first account, with role run, for who knows the code:
// ErrWrong, *WaitError, *Refused, or the secrets of its first session.
func (d *Door) First(ctx context.Context, from From, code, name, password string) (Entry, error) {
	d.mu.Lock()
	first := d.first
	d.mu.Unlock()
	if first == nil {
		return Entry{}, ErrWrong
	}
	code = strings.ToUpper(strings.Map(letterOrDigit, code))
	if subtle.ConstantTimeCompare(hashOf(code), first.hash) != 1 {
		// Nobody guesses 100 bits: this is for the trail and the machine, and must
		// not keep the owner out.
		if wait := d.tries.admit(d.now(), append([]string{"first account"}, from.addrKey()...)...); wait > 0 {
			return Entry{}, &WaitError{wait}
		}
		return Entry{}, d.noteFailure(ctx, from, "", "first account refused", ErrWrong)
	}
	if err := d.addAccount(ctx, name, record.Run, password, "", true); err != nil {
		return Entry{}, err
	}
	d.any.Store(true)
	d.dropFirst()
	a, err := d.store.Account(ctx, strings.TrimSpace(name))
	if err != nil {
		return Entry{}, err
	}
	return d.enter(ctx, from, a, password, false, false)
}

// Close makes the code for the first account worthless and removes its file.
func (d *Door) Close() { d.dropFirst() }

// dropFirst forgets the code before it removes the file: a file that stays
// holds nothing that is good for anything.
func (d *Door) dropFirst() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.first != nil {
		_ = os.Remove(d.first.path)
		d.first = nil
	}
}
