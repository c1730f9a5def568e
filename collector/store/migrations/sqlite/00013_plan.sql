-- +goose Up

-- How the workshop goes on rounds: where it is, when it works, what counts how
-- much. What is not here is as the program proposes.
create table plan_setting (
    name  text not null primary key,
    value text not null
) strict, without rowid;

-- What a person wants of the next round: a station on a day, in it on any day,
-- or not in it.
create table plan_wish (
    station     text    not null primary key references station (name) on update cascade,
    wish        text    not null, -- on, in or out
    day         text    not null, -- date of on; '' for others
    note        text    not null,
    author      text    not null,
    recorded_ns integer not null
) strict, without rowid;

-- Time that is taken already, at a site or in the workshop.
create table plan_booking (
    id          integer primary key,
    day         text    not null,
    from_min    integer not null, -- minutes from midnight, where the workshop is
    to_min      integer not null,
    person      text    not null, -- '' for the first
    site        text    not null, -- '' for the workshop
    note        text    not null,
    author      text    not null,
    recorded_ns integer not null
) strict;

-- Driving between two places that somebody measured; the workshop is ''.
create table plan_leg (
    from_place text    not null,
    to_place   text    not null,
    minutes    real    not null,
    km         real    not null,
    primary key (from_place, to_place)
) strict, without rowid;
