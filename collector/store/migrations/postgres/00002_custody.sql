-- +goose Up

-- What a station's agent last said of itself.
create table station_state (
    station bigint primary key references station,
    run text collate "C" not null,
    conn bigint not null,
    arrived_ns bigint not null,
    gone_ns bigint, -- since when it has left; null while it is there
    offset_ns bigint, -- collector's clock less the station's; null where it can't be told
    body text collate "C" not null -- JSON, as sent
);

-- What became of the readings of a run, and when it was first heard of. What was
-- received is told as the difference to what was stored, which mostly is none:
-- at any commit stored + beyond + released = stored + repeated + refused.
alter table run add column first_ns bigint not null default 0;
alter table run add column beyond   bigint not null default 0;
alter table run add column released bigint not null default 0;
alter table run add column stored   bigint not null default 0;
alter table run add column repeated bigint not null default 0;
alter table run add column refused  bigint not null default 0;
create index run_first on run (station, first_ns);

-- What went into quarantine on a day (UTC) and why; station is '' for those who
-- are not in service. Beyond a bound it is counted here and not kept there.
create table quarantine_day (
    station text collate "C" not null,
    day bigint not null,
    reason text collate "C" not null,
    kept bigint not null, -- readings
    bytes bigint not null, -- of those kept
    unkept bigint not null, -- readings
    primary key (station, day, reason)
);

-- The installation's own authority, and what else names it.
create table identity (
    name text collate "C" primary key,
    pem text collate "C" not null,
    made_ns bigint not null
);

-- Backups made, for those who ask how old the last one is. A backup holds a row
-- about itself too, whose bytes and sha256 it can't know: 0 and ''.
create table backup (
    at_ns bigint primary key, -- what was received before is in it
    path text collate "C" not null,
    bytes bigint not null,
    sha256 text collate "C" not null,
    stored bigint not null -- readings stored in all, when it was made
);

-- Backups put in the place of a store, and how far each run was then: what an
-- agent skips afterwards was receipted by the collector that is gone.
create table restore (
    at_ns bigint primary key,
    backup_ns bigint not null,
    aside text collate "C" not null -- where the store went that was there; '' if none was
);
create table restore_run (
    restore bigint not null references restore,
    run bigint not null references run,
    oldest bigint not null,
    seen bytea not null,
    primary key (restore, run)
);

-- The secret that follows when a station's is changed: until the change is
-- finished both are good. changed grows whenever a password may have become
-- good or worthless, for those who hold connections.
alter table station add column next_secret text collate "C"; -- hexadecimal; null: none
alter table station add column changed bigint not null default 0;
create index station_changed on station (changed);
