-- +goose Up

-- Who is told what, and how.
create table person (
    id        integer primary key,
    name      text not null,
    key       text not null unique, -- name without regard to case
    place     integer not null, -- in which messages are passed on
    zone      text not null,
    rest_from text not null, -- 22:00; empty: no night rest
    rest_to   text not null,
    letter    text not null, -- 07:00; empty: no morning letter
    least     text not null, -- what goes to them at once
    pass_on_s integer not null, -- 0: never
    made_ns   integer not null
) strict;

create table person_channel (
    person  integer not null references person on delete cascade,
    place   integer not null, -- from 0, as they are tried
    kind    text not null,
    address text not null,
    secret  text not null, -- signs what goes to a webhook
    primary key (person, place)
) strict, without rowid;

-- Only messages of these sites and kinds go to a person; without rows, all.
create table person_choice (
    person integer not null references person on delete cascade,
    what   text not null, -- site or kind
    value  text not null,
    primary key (person, what, value)
) strict, without rowid;

-- What is told that is about no station.
create table notice (
    event      text primary key,
    kind       text not null,
    created_ns integer not null,
    subject    text not null,
    body       text not null
) strict, without rowid;

-- One message to one person by one channel.
create table delivery (
    event      text not null, -- of outbox or notice
    person     integer not null references person on delete cascade,
    channel    integer not null, -- its place
    why        text not null,
    detail     text not null,
    urgent     integer not null, -- 0 or 1
    created_ns integer not null,
    due_ns     integer not null, -- next attempt
    first_ns   integer,          -- first attempt
    tries      integer not null,
    taken_ns   integer,          -- by the channel
    ended_ns   integer,          -- given up, or no longer needed
    ended_why  text not null,
    error      text not null, -- of the newest attempt
    primary key (event, person, channel)
) strict, without rowid;
create index delivery_due on delivery (due_ns) where taken_ns is null and ended_ns is null;
create index delivery_created on delivery (created_ns);
create index delivery_person on delivery (person);

alter table outbox add column routed_ns integer; -- its deliveries were made
create index outbox_unrouted on outbox (created_ns) where routed_ns is null and sent_ns is null;

-- Readings of the artificial station: the watch's own way.
create table watch_round (
    run       text not null, -- of the collector that sent it
    seq       integer not null,
    sent_ns   integer not null,
    stored_ns integer not null,
    temp_c    real not null, -- of the reading
    rh_pct    real not null,
    judged_ns integer,
    told_ns   integer,
    primary key (run, seq)
) strict, without rowid;
create index watch_round_sent on watch_round (sent_ns);

-- Other installations that call here while they are sound.
create table watched (
    name      text primary key,
    key_hash  blob not null unique,
    every_s   integer not null,
    made_ns   integer not null,
    heard_ns  integer,
    silent_ns integer,
    times     integer not null
) strict, without rowid;
