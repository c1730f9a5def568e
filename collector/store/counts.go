package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/reading"
)

// Counts returns the running totals since the installation began.
func (s *Store) Counts(ctx context.Context) (record.Counts, error) {
	c, err := readCounts(reader{ctx, s})
	if err != nil {
		return record.Counts{}, fmt.Errorf("read counts: %w", err)
	}
	return c, nil
}

func readCounts(q query) (record.Counts, error) {
	c := record.Counts{Refused: make(map[reading.Reason]int64), RefusedValues: make(map[string]int64)}
	plain := map[string]*int64{
		totalReceived: &c.Received, totalStored: &c.Stored, totalRepeated: &c.Repeated, totalReleased: &c.Released,
		totalDiscarded: &c.Discarded, totalUnknown: &c.UnknownFields,
	}
	err := each(q, `select name, n from total`, nil, func(rows *sql.Rows) error {
		var name string
		var n int64
		if err := rows.Scan(&name, &n); err != nil {
			return err
		}
		if p, ok := plain[name]; ok {
			*p = n
		} else if reason, ok := strings.CutPrefix(name, totalRefused); ok {
			c.Refused[reading.Reason(reason)] = n
		} else if channel, ok := strings.CutPrefix(name, totalValue); ok {
			c.RefusedValues[channel] = n
		}
		return nil
	})
	return c, err
}
