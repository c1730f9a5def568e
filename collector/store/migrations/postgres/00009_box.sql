-- +goose Up

-- What is remembered of a station's box where the reading at at_ns completed
-- the hours before: enough to go on from there. Few are kept, the older the
-- fewer.
create table box_state (
    station bigint not null references station,
    at_ns bigint not null,
    body bytea not null, -- gzip of JSON
    primary key (station, at_ns)
);

-- Up to which reading findings of a box are concluded, and by which rules.
create table box_run (
    station bigint primary key references station,
    upto_ns bigint not null,
    version bigint not null,
    usual text collate "C" not null -- JSON: how it breathed when its baseline was taken; empty: not known
);

-- Breathing time, as known at the end of a UTC day.
create table breathing_day (
    station bigint not null references station,
    day text collate "C" not null,
    tau_h double precision not null,
    low_h double precision not null,
    high_h double precision, -- null: no bound
    window_d bigint not null,
    basis text collate "C" not null,
    primary key (station, day)
);

-- Means of a station's outdoor sensor over UTC hours, for the others of its site.
create table outdoor_hour (
    station bigint not null references station,
    hour_ns bigint not null, -- start
    temp_c double precision not null,
    rh_pct double precision not null,
    primary key (station, hour_ns)
);
