package record

import (
	"time"

	"dewpost/rules/unit"
)

// BackupOld is the age from which a backup is too old: one is made every night,
// and one night may be missed.
const BackupOld = 50 * time.Hour

// Backup is a backup that was made of a store.
type Backup struct {
	At     unit.Instant // what was received before is in it
	Path   string
	Bytes  int64  // 0 where a backup tells of itself
	SHA256 string // "" where a backup tells of itself
	Stored int64  // readings stored in all, when it was made
}

// Contents is what a store or a backup was found to hold when all of it was
// read and checked.
type Contents struct {
	Schema   int64
	Made     unit.Instant // when it was made as a backup; 0 for what is none
	Stations int
	Readings int64
	LetGo    int64        // readings that were let go
	Newest   unit.Instant // reading; 0 when there is none
	Hours    int64        // of the ledger
	Ledger   string       // SHA-256 of all of the ledger as an hourly table, by station
}

// Restore is a backup that was put in the place of a store.
type Restore struct {
	At    unit.Instant
	Made  unit.Instant // of the backup
	Aside string       // where the store went that was there; "" if none was
}

// Hole is a stretch of a run's numbers, From to To, that an agent had no more
// when it first spoke to a restored store: receipted by the collector that is
// gone, or given up meanwhile.
type Hole struct {
	Station, Run  string
	From, To      int64
	Before, After unit.Instant // readings on both sides; Before 0 when there is none
	Restore       Restore
}

// Beyond is what one store holds of a station that another one has not.
type Beyond struct {
	Station     string
	Readings    int64
	First, Last unit.Instant // of those readings; 0 when there are none
	Refused     int64        // in quarantine
	Damaged     int          // batches of readings that can't be read
}

// Moved is a store that was moved to another place.
type Moved struct {
	Contents
	Rows    int64  // in all
	Changed int64  // of them, while they were copied
	SHA256  string // of all rows, the same at both places
}
