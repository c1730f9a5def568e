-- oldest writer: 21

-- +goose Up

-- Whoever writes has done so, or finds out that it may not any more.
select pg_advisory_xact_lock(1685353328);

-- What is sent on to another program, hours or readings, as the config of the
-- collectors says: a row for each while it says so.
create table feed (
    what            text collate "C" not null primary key,
    target          text collate "C" not null, -- SHA-256 of where it is sent
    sent            bigint not null, -- lines that were taken
    refused         bigint not null, -- lines that were not, and never will be
    refused_station text collate "C" not null, -- of the last of these; '' for none
    refused_line_ns bigint not null, -- its time
    refused_ns      bigint not null, -- when it was refused
    refused_why     text collate "C" not null,
    failing_ns      bigint not null, -- since when nothing is taken; 0: it is
    failure         text collate "C" not null  -- why
);

-- Stretches of a station's record that changed since they were sent: of all of it,
-- of short changes, and of long ones, so that what changes by the minute doesn't
-- begin a long stretch anew.
create table feed_mark (
    what    text collate "C" not null references feed,
    station bigint not null references station,
    slot    bigint not null, -- 0: all; 1: short; 2: long
    from_ns bigint not null,
    to_ns   bigint not null, -- the newest changed hour or reading, inclusive
    version bigint not null, -- never used twice for a station
    primary key (what, station, slot)
);
create index feed_mark_version on feed_mark (what, version);

-- One that knows nothing of this would leave out what changed while it folded.
update goose_writer set oldest = 21;
