package main

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

func TestQuarantine(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Files: []string{"testdata/quarantine.txt"}, RequireExplicitExec: true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"refused": func(ts *testscript.TestScript, _ bool, args []string) { ts.Check(refuse(ts.MkAbs(args[0]))) },
		},
	})
}

// refuse makes a store with a stored reading and five refused ones.
func refuse(path string) (err error) {
	ctx := context.Background()
	s, err := store.Open(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	secret, err := receipt.NewSecret(make([]byte, 32))
	if err != nil {
		return err
	}
	if err := s.AddStation(ctx, record.Station{ID: "lake-07", Secret: secret, Enrolled: 1}, "test"); err != nil {
		return err
	}
	now := unit.At(time.Date(2025, 11, 6, 0, 0, 0, 0, time.UTC))
	const head = "reading,station=lake-07,run=9f31c2aa07de4410 "
	for _, line := range []string{
		"reading seq=7i 1762300800000000000",
		head + "seq=2i,flags=\"\x1b[2J\u202e\xff\" 5",
		head + "seq=3i,inside_temp_c=5 315964800000000000",
		head + "seq=4i,inside_temp_c=5 1924992000000000000",
		strings.Replace(head, "lake-07", "quay-02", 1) + "seq=5i 1762300800000000000",
		head + "seq=1i,inside_temp_c=5 1762300800000000000",
	} {
		a := record.Arrival{Station: "lake-07", At: now, Batch: reading.Decode("lake-07", []byte(line), now)}
		if _, err := s.Commit(ctx, []record.Arrival{a}); err != nil {
			return err
		}
	}
	return nil
}
