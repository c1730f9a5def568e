-- +goose Up

alter table occurrence add column rings integer not null default 0; -- how often people were told of it by itself
alter table occurrence add column cause integer not null default 0; -- alarm_cause of which it is part; 0: none

alter table outbox add column priority text not null default 'soon';
alter table outbox add column class text not null default 'at_once'; -- or letter: in the morning letter only
alter table outbox add column cause integer not null default 0;      -- alarm_cause that it tells of; 0: one occurrence
alter table outbox add column by_ns integer not null default 0;      -- when somebody should have acted
create index outbox_created on outbox (created_ns);
create index event_recorded on event (recorded_ns);

-- What keeps alarms of a station quiet. Nothing is deleted.
create table alarm_hold (
    number    integer primary key,
    station   integer not null references station,
    kind      text    not null, -- empty: all
    state     text    not null, -- shelved, suppressed_by_design or out_of_service
    from_ns   integer not null,
    until_ns  integer not null, -- 0: until somebody ends it
    who       text    not null,
    why       text    not null,
    ended_ns  integer not null, -- 0: in force
    ended_by  text    not null,
    ended_why text    not null
) strict;
create index alarm_hold_open on alarm_hold (station) where ended_ns = 0;

-- One cause of what several stations tell.
create table alarm_cause (
    number  integer primary key,
    scope   text    not null, -- workshop, site, line or weather
    subject text    not null, -- id of the site or line
    kind    text    not null,
    from_ns integer not null,
    to_ns   integer not null, -- 0 while it lasts
    settled integer not null  -- 0 or 1: what lasts beyond its end was told by itself
) strict;
create index alarm_cause_open on alarm_cause (number) where settled = 0;

-- Limits that the workshop changed. Append only; the newest of a name counts.
create table alarm_limit (
    number      integer primary key,
    name        text    not null, -- kind.limit
    value       text    not null,
    author      text    not null,
    recorded_ns integer not null
) strict;
