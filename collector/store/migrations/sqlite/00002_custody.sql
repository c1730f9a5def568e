-- +goose Up

-- What a station's agent last said of itself.
create table station_state (
    station    integer primary key references station,
    run        text    not null,
    conn       integer not null,
    arrived_ns integer not null,
    gone_ns    integer,          -- since when it has left; null while it is there
    body       text    not null  -- JSON, as sent
) strict;

-- The installation's own authority, and what else names it.
create table identity (
    name    text    primary key,
    pem     text    not null,
    made_ns integer not null
) strict, without rowid;

-- Backups made, for those who ask how old the last one is.
create table backup (
    at_ns  integer primary key,
    path   text    not null,
    bytes  integer not null,
    sha256 text    not null
) strict;

-- The secret that follows when a station's is changed: until the change is
-- finished both are good.
alter table station add column next_secret text;
