package store

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// people puts accounts, a session, a browser, a token, the authority, a backup
// and a restore into a template.
func people(t *testing.T, s *Store) {
	t.Helper()
	ctx := t.Context()
	require.NoError(t, s.AddAccount(ctx, account("ann", record.Run), true, "ann"))
	require.NoError(t, s.AddAccount(ctx, account("ben", record.Look), false, "ann"))
	require.NoError(t, s.AddSession(ctx, signIn("ann", "s1", "b1", t0)))
	require.NoError(t, s.AddToken(ctx, record.Token{Name: "wall", Role: record.Look, Author: "ann", Made: t0, Expires: t0 + 9}, []byte("h1")))
	require.NoError(t, s.AddIdentity(ctx, "authority", "pem", t0, "x"))
	require.NoError(t, NoteBackup(ctx, s.path, record.Backup{At: t0, Path: "a backup", Bytes: 1, SHA256: "x", Stored: 1}))
	require.NoError(t, s.NoteRestore(ctx, record.Restore{At: t0, Made: t0 - 1, Aside: "aside"}))
	require.NoError(t, s.AddSession(ctx, signIn("ann", "s1", "", t0)))
	more := withOldest(seqs("a", runA, 1700), runA, 1650) // what an agent had no more after the restore
	more.At = t0.Add(time.Hour)
	commit(t, s, more)
}

// doorSteps are the methods about people and what lets them in.
func doorSteps(t *testing.T, ctx context.Context) map[string]func(*Store) error {
	return map[string]func(*Store) error{
		"HasAccounts":   func(s *Store) error { _, err := s.HasAccounts(ctx); return err },
		"Accounts":      func(s *Store) error { _, err := s.Accounts(ctx); return err },
		"Account":       func(s *Store) error { _, err := s.Account(ctx, "Ann"); return err },
		"AddAccount":    func(s *Store) error { return s.AddAccount(ctx, account("carl", record.Work), false, "ann") },
		"SetPassword":   func(s *Store) error { return s.SetPassword(ctx, "ann", "new", "hash of ann", t0, "ann") },
		"SetRole":       func(s *Store) error { return s.SetRole(ctx, "ben", record.Work, t0, "ann") },
		"RemoveAccount": func(s *Store) error { return s.RemoveAccount(ctx, "ben", t0, "ann") },
		"AddSession":    func(s *Store) error { return s.AddSession(ctx, signIn("ann", "s2", "b2", t0)) },
		"Session":       func(s *Store) error { _, err := s.Session(ctx, []byte("s1")); return err },
		"UseSession":    func(s *Store) error { return s.UseSession(ctx, []byte("s1"), t0+1) },
		"EndSession":    func(s *Store) error { return s.EndSession(ctx, []byte("s1"), t0) },
		"KnowsBrowser":  func(s *Store) error { _, err := s.KnowsBrowser(ctx, []byte("b1"), "ann", 0); return err },
		"AddToken":      func(s *Store) error { return s.AddToken(ctx, record.Token{Name: "b", Role: record.Look}, []byte("h2")) },
		"Token":         func(s *Store) error { _, err := s.Token(ctx, []byte("h1")); return err },
		"Tokens":        func(s *Store) error { _, err := s.Tokens(ctx); return err },
		"UseToken":      func(s *Store) error { return s.UseToken(ctx, []byte("h1"), t0+1) },
		"RemoveToken":   func(s *Store) error { return s.RemoveToken(ctx, "wall", t0, "ann") },
		"Note":          func(s *Store) error { return s.Note(ctx, t0, "x", "y", "z") },
		"Audit":         func(s *Store) error { _, _, err := s.Audit(ctx, record.DeedPlace{}, 9); return err },
		"Identity":      func(s *Store) error { _, err := s.Identity(ctx, "authority"); return err },
		"AddIdentity":   func(s *Store) error { return s.AddIdentity(ctx, "other", "pem", t0, "x") },
		"FinishSecret": func(s *Store) error {
			return s.FinishSecret(ctx, record.Station{ID: "b", Next: testSecret(t, "next")}, 5, "x")
		},
		"AbandonSecret":  func(s *Store) error { return s.AbandonSecret(ctx, "b", 5, "x") },
		"Changed":        func(s *Store) error { _, _, err := s.ChangedStations(ctx, 0); return err },
		"GiveOrder":      func(s *Store) error { return s.GiveOrder(ctx, orderTo("a", "o1", t0, receipt.Body{Heat: 1})) },
		"Orders":         func(s *Store) error { _, err := s.Orders(ctx, 0); return err },
		"State":          func(s *Store) error { _, err := s.State(ctx, "a"); return err },
		"StationVersion": func(s *Store) error { _, err := s.StationsVersion(ctx); return err },
		"FinishSecret again": func(s *Store) error {
			st, err := s.Station(ctx, "a")
			if err != nil {
				return err
			}
			st.Next = st.Secret
			return s.FinishSecret(ctx, st, 5, "x")
		},
		"BeginSecret again": func(s *Store) error {
			return s.BeginSecret(ctx, record.Station{ID: "b", Next: testSecret(t, "z")}, 5, "x")
		},
	}
}

// backupSteps are the methods about backups and the way back. lost is a store
// that holds more than the template.
func backupSteps(t *testing.T, ctx context.Context, lost string) map[string]func(*Store) error {
	dir, n := t.TempDir(), 0
	beyond := func(s *Store, take func(record.Arrival) error) (err error) {
		old, err := OpenReadOnly(ctx, lost)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, old.Close()) }()
		_, err = s.Beyond(ctx, old, take)
		return err
	}
	return map[string]func(*Store) error{
		"Backups":     func(s *Store) error { _, err := s.Backups(ctx); return err },
		"Settings":    func(s *Store) error { _, _, err := s.Settings(ctx); return err },
		"QuickCheck":  func(s *Store) error { return s.QuickCheck(ctx) },
		"Verify":      func(s *Store) error { _, err := s.Verify(ctx); return err },
		"NoteRestore": func(s *Store) error { return s.NoteRestore(ctx, record.Restore{At: t0 + 7, Made: 6}) },
		"Restores":    func(s *Store) error { _, err := s.Restores(ctx); return err },
		"Holes":       func(s *Store) error { _, err := s.Holes(ctx); return err },
		"Spoken":      func(s *Store) error { _, err := s.Spoken(ctx); return err },
		"NoteSalvage": func(s *Store) error { return s.NoteSalvage(ctx, Spoken{}) },
		"Beyond":      func(s *Store) error { return beyond(s, nil) },
		"Beyond, taken": func(s *Store) error {
			return beyond(s, func(record.Arrival) error { return nil })
		},
		"Copy": func(s *Store) error {
			n++
			_, err := Copy(ctx, s.path, filepath.Join(dir, fmt.Sprint(n)), t0+1, "x")
			return err
		},
	}
}

// more makes a store that has more than the template: of a run that it knows and
// of one that it does not, without run, refused, and given up.
func more(t *testing.T, from string) string {
	t.Helper()
	path := copyStore(t, from)
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	a := withOldest(seqs("a", runA, 3000, 3001), runA, 2900)
	a.Batch.Readings = append(a.Batch.Readings, unkeyed(500, 7))
	a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "only here", "", 0)}
	commit(t, s, a, seqs("b", "00000000000000cc", 1, 2))
	require.NoError(t, s.Close())
	return path
}

// A backup that can't be noted is said not to be, also where closing the file is
// what failed.
func TestEveryStepOfNoteBackupFails(t *testing.T) {
	from, _ := template(t)
	withFaults(t)
	for k := 1; ; k++ {
		plan.arm(k, refuses)
		err := NoteBackup(t.Context(), from, record.Backup{At: unit.Instant(k), Path: "x"})
		if !plan.disarm() {
			require.NoError(t, err)
			require.Greater(t, k, 3, "control")
			return
		}
		require.ErrorIs(t, err, errFault, k)
	}
}

// What takes what the old store has may fail too.
func TestBeyondIsNotTaken(t *testing.T) {
	from, _ := template(t)
	lost := more(t, from)
	s, err := Open(t.Context(), copyStore(t, from))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	old, err := OpenReadOnly(t.Context(), lost)
	require.NoError(t, err)
	defer func() { require.NoError(t, old.Close()) }()
	for n := 0; ; n++ { // the n-th that is handed over
		left := n
		_, err := s.Beyond(t.Context(), old, func(record.Arrival) error {
			if left--; left < 0 {
				return errFault
			}
			return nil
		})
		if err == nil {
			require.Greater(t, n, 3, "control")
			return
		}
		require.ErrorIs(t, err, errFault)
	}
}
