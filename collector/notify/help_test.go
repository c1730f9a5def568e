package notify_test

import (
	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func arrivalOf(now unit.Instant, line string) record.Arrival {
	return record.Arrival{Station: record.WatchStation, At: now, Batch: reading.Decode(record.WatchStation, []byte(line), now)}
}
