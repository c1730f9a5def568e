package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// Changes returns a text that is another one after anything changed that pages
// show: readings, what was concluded from them, facts, what people did.
func (s *Store) Changes(ctx context.Context) (string, error) {
	var all []string
	err := each(reader{ctx, s}, `select 1, coalesce((select n from total where name = '`+totalStored+`'), 0)
		union all select 2, count(*) from fold_mark
		union all select 3, coalesce(max(n), 0) from event
		union all select 4, coalesce(max(id), 0) from fact
		union all select 5, coalesce(max(id), 0) from audit
		order by 1`, nil, func(rows *sql.Rows) error {
		var what, n int64
		err := rows.Scan(&what, &n)
		all = append(all, fmt.Sprint(n))
		return err
	})
	if err != nil {
		return "", fmt.Errorf("look what changed: %w", err)
	}
	return strings.Join(all, "."), nil
}
