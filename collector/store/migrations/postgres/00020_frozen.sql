-- oldest writer: 20

-- +goose Up

-- Whoever writes has done so, or finds out that it may not any more.
select pg_advisory_xact_lock(1685353328);

-- Stations some of whose readings were let go. What the ledger says of the time
-- before stays as it is: it can't be computed again.
create table frozen (
    station   bigint primary key references station,
    before_ns bigint not null, -- hours that begin before this are frozen; midnight UTC
    kept_ns   bigint not null, -- no reading from before this is held; midnight UTC
    first_ns  bigint not null, -- the first reading that there was
    days      bigint not null, -- that were let go, in all, and here follows what was in them
    readings  bigint not null,
    bytes     bigint not null, -- as packed
    hours     bigint not null, -- that are frozen
    digest    text collate "C" not null, -- SHA-256 of the digest before, and of the days frozen since with their hours as packed
    at_ns     bigint not null
);

-- When a reading was taken that came too late; null for what was refused for
-- another reason.
alter table quarantine add column reading_ns bigint;
create index quarantine_late on quarantine (station, reading_ns) where reading_ns is not null;

-- The oldest program, told by the newest migration that it knows, that may still
-- write here: one that knows nothing of frozen hours would fold them again. Its
-- name is of those that say how the schema is, and not what is in it.
create table goose_writer (
    oldest bigint not null
);
insert into goose_writer (oldest) values (20);
