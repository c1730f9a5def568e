-- +goose Up

-- What is remembered of a station's box where the reading at at_ns completed
-- the hours before: enough to go on from there. Few are kept, the older the
-- fewer.
create table box_state (
    station integer not null references station,
    at_ns   integer not null,
    body    blob    not null, -- gzip of JSON
    primary key (station, at_ns)
) strict, without rowid;

-- Up to which reading findings of a box are concluded, and by which rules.
create table box_run (
    station integer primary key references station,
    upto_ns integer not null,
    version integer not null,
    usual   text    not null -- JSON: how it breathed when its baseline was taken; empty: not known
) strict;

-- Breathing time, as known at the end of a UTC day.
create table breathing_day (
    station  integer not null references station,
    day      text    not null,
    tau_h    real    not null,
    low_h    real    not null,
    high_h   real,             -- null: no bound
    window_d integer not null,
    basis    text    not null,
    primary key (station, day)
) strict, without rowid;

-- Means of a station's outdoor sensor over UTC hours, for the others of its site.
create table outdoor_hour (
    station integer not null references station,
    hour_ns integer not null, -- start
    temp_c  real    not null,
    rh_pct  real    not null,
    primary key (station, hour_ns)
) strict, without rowid;
