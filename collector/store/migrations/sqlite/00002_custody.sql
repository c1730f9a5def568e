-- +goose Up

-- What a station's agent last said of itself.
create table station_state (
    station    integer primary key references station,
    run        text    not null,
    conn       integer not null,
    arrived_ns integer not null,
    gone_ns    integer,          -- since when it has left; null while it is there
    offset_ns  integer,          -- collector's clock less the station's; null where it can't be told
    body       text    not null  -- JSON, as sent
) strict;

-- What became of the readings of a run, and when it was first heard of. What was
-- received is told as the difference to what was stored, which mostly is none:
-- at any commit stored + beyond + released = stored + repeated + refused.
alter table run add column first_ns integer not null default 0;
alter table run add column beyond   integer not null default 0;
alter table run add column released integer not null default 0;
alter table run add column stored   integer not null default 0;
alter table run add column repeated integer not null default 0;
alter table run add column refused  integer not null default 0;
create index run_first on run (station, first_ns);

-- What went into quarantine on a day (UTC) and why; station is '' for those who
-- are not in service. Beyond a bound it is counted here and not kept there.
create table quarantine_day (
    station text    not null,
    day     integer not null,
    reason  text    not null,
    kept    integer not null, -- readings
    bytes   integer not null, -- of those kept
    unkept  integer not null, -- readings
    primary key (station, day, reason)
) strict, without rowid;

-- The installation's own authority, and what else names it.
create table identity (
    name    text    primary key,
    pem     text    not null,
    made_ns integer not null
) strict, without rowid;

-- Backups made, for those who ask how old the last one is. A backup holds a row
-- about itself too, whose bytes and sha256 it can't know: 0 and ''.
create table backup (
    at_ns  integer primary key, -- what was received before is in it
    path   text    not null,
    bytes  integer not null,
    sha256 text    not null,
    stored integer not null  -- readings stored in all, when it was made
) strict;

-- Backups put in the place of a store, and how far each run was then: what an
-- agent skips afterwards was receipted by the collector that is gone.
create table restore (
    at_ns     integer primary key,
    backup_ns integer not null,
    aside     text    not null  -- where the store went that was there; '' if none was
) strict;
create table restore_run (
    restore integer not null references restore,
    run     integer not null references run,
    oldest  integer not null,
    seen    blob    not null,
    primary key (restore, run)
) strict, without rowid;

-- The secret that follows when a station's is changed: until the change is
-- finished both are good. changed grows whenever a password may have become
-- good or worthless, for those who hold connections.
alter table station add column next_secret text; -- hexadecimal; null: none
alter table station add column changed integer not null default 0;
create index station_changed on station (changed);
