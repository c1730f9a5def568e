-- oldest writer: 21

-- +goose Up

-- What is sent on to another program, hours or readings, as the config of the
-- collectors says: a row for each while it says so.
create table feed (
    what            text not null primary key,
    target          text not null, -- SHA-256 of where it is sent
    sent            integer not null, -- lines that were taken
    refused         integer not null, -- lines that were not, and never will be
    refused_station text not null, -- of the last of these; '' for none
    refused_line_ns integer not null, -- its time
    refused_ns      integer not null, -- when it was refused
    refused_why     text not null,
    failing_ns      integer not null, -- since when nothing is taken; 0: it is
    failure         text not null  -- why
) strict, without rowid;

-- Stretches of a station's record that changed since they were sent: of all of it,
-- of short changes, and of long ones, so that what changes by the minute doesn't
-- begin a long stretch anew.
create table feed_mark (
    what    text not null references feed,
    station integer not null references station,
    slot    integer not null, -- 0: all; 1: short; 2: long
    from_ns integer not null,
    to_ns   integer not null, -- the newest changed hour or reading, inclusive
    version integer not null, -- never used twice for a station
    primary key (what, station, slot)
) strict, without rowid;
create index feed_mark_version on feed_mark (what, version);

-- One that knows nothing of this would leave out what changed while it folded.
update goose_writer set oldest = 21;
