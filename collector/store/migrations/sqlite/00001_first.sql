-- Instants (…_ns) are nanoseconds since 1970-01-01T00:00:00Z, durations are
-- nanoseconds, days are UTC day numbers since 1970-01-01. The same tables and
-- columns live on every engine; only type names and table options differ.

-- +goose Up

create table station (
    id          integer primary key,
    name        text    not null unique,
    secret      text    not null, -- hexadecimal
    enrolled_ns integer not null,
    retired_ns  integer           -- null while in service
) strict;

-- The one row that decides whether a reading is new. run is '' for readings
-- without run and seq; of those, seen and oldest say nothing.
create table run (
    id        integer primary key,
    station   integer not null references station,
    run       text    not null,
    oldest    integer not null, -- largest oldest ever said; 0 before the first
    seen      blob    not null, -- spans of seqs stored or refused
    newest_ns integer,          -- newest stored reading
    tail      integer,          -- batch that may still grow
    unique (station, run)
) strict;

-- Packed readings. A batch holds readings of one run and one UTC day. A key is
-- a seq, or a time for readings without seq.
create table batch (
    id      integer primary key,
    station integer not null,
    day     integer not null,
    run     integer not null references run,
    key_min integer not null,
    key_max integer not null,
    t_min   integer not null,
    t_max   integer not null,
    n       integer not null,
    body    blob    not null
) strict;
create index batch_day on batch (station, day);

-- Refused readings. station is text: it may be nobody's.
create table quarantine (
    id          integer primary key,
    station     text    not null,
    arrived_ns  integer not null,
    reason      text    not null,
    detail      text    not null,
    raw         blob    not null,
    run         text,
    seq         integer,
    body        blob,    -- packed reading, where it may be stored later
    due_ns      integer, -- when it is stored by itself
    released_ns integer  -- when it was stored after all
) strict;
create index quarantine_key on quarantine (station, run, seq) where run is not null;
create index quarantine_station on quarantine (station, id);
create index quarantine_due on quarantine (due_ns) where due_ns is not null and released_ns is null;

-- Running totals; one row each.
create table total (
    name text    primary key,
    n    integer not null
) strict, without rowid;

-- What changed since it was last folded: a row for each commit that changed a
-- station, so that a fold clears just what it saw while more arrives. Slots are
-- reused, and then a row says both: there are never more than a few a station.
create table fold_mark (
    station integer not null references station,
    slot    integer not null, -- of the version
    from_ns integer not null,
    to_ns   integer not null,
    version integer not null, -- of the newest commit in it; never used twice for a station
    primary key (station, slot)
) strict, without rowid;

-- Packed ledger hours of one UTC day.
create table ledger_day (
    station integer not null references station,
    day     integer not null,
    body    blob    not null,
    primary key (station, day)
) strict;

create table occurrence (
    station      integer not null references station,
    kind         text    not null,
    number       integer not null,
    from_ns      integer not null,
    to_ns        integer not null, -- 0 while it lasts
    concluded_ns integer not null,
    confidence   real    not null,
    evidence     text    not null, -- JSON
    state        text    not null,
    revised      integer not null, -- 0 or 1
    told         integer not null, -- 0 or 1
    steps        integer not null,
    primary key (station, kind, number)
) strict, without rowid;
create index occurrence_open on occurrence (state) where state <> 'normal' and revised = 0;

create table event (
    n           integer primary key, -- order of recording
    id          text    not null unique,
    station     integer not null,
    kind        text    not null,
    number      integer not null,
    from_state  text    not null,
    to_state    text    not null,
    at_ns       integer not null,
    recorded_ns integer not null,
    who         text    not null,
    why         text    not null,
    foreign key (station, kind, number) references occurrence
) strict;
create index event_occurrence on event (station, kind, number);

create table outbox (
    event_id   text    primary key,
    station    integer not null references station,
    kind       text    not null,
    number     integer not null,
    created_ns integer not null,
    body       text    not null, -- JSON
    sent_ns    integer           -- null until it is sent
) strict;
create index outbox_unsent on outbox (created_ns) where sent_ns is null;

-- Append only. The order of ids is the order of recording.
create table fact (
    id          integer primary key,
    kind        text    not null,
    subject     text    not null,
    name        text    not null,
    from_ns     integer not null,
    value       text    not null,
    author      text    not null,
    recorded_ns integer not null
) strict;
create index fact_subject on fact (kind, subject);
create index fact_value on fact (name, value);

-- What people did, other than by facts.
create table audit (
    id     integer primary key,
    at_ns  integer not null,
    author text    not null,
    action text    not null,
    object text    not null
) strict;
