-- +goose Up

-- Goings to stations, and stays of units at the bench. state, began_ns and
-- ended_ns follow from visit_step; when_ns, by which lists are cut, is when it
-- began, else the day planned, else when it was made.
create table visit (
    id       integer primary key,
    station  integer not null references station,
    kind     text    not null,
    state    text    not null,
    who      text    not null,
    planned  text    not null, -- date or ''
    why      text    not null,
    made_ns  integer not null,
    author   text    not null,
    began_ns integer,          -- null before
    ended_ns integer,          -- null before
    when_ns  integer not null,
    version  integer not null
) strict;
create index visit_station on visit (station, id);

-- What belongs to a visit is numbered n = 1, 2, 3 … in it, in the order in
-- which it was written down, and only added to.

create table visit_cause (
    visit  integer not null references visit,
    n      integer not null,
    kind   text    not null,
    number integer not null,
    primary key (visit, n)
) strict, without rowid;

create table visit_step (
    visit        integer not null references visit,
    n            integer not null,
    state        text    not null,
    at_ns        integer not null,
    note         text    not null,
    without_card text    not null,
    author       text    not null,
    recorded_ns  integer not null,
    primary key (visit, n)
) strict, without rowid;

create table visit_finding (
    visit       integer not null references visit,
    n           integer not null,
    at_ns       integer not null,
    moisture    text    not null,
    water_ml    integer,          -- null when nobody said
    cover       text    not null,
    gasket      text    not null,
    coating     text    not null,
    note        text    not null,
    author      text    not null,
    recorded_ns integer not null,
    primary key (visit, n)
) strict, without rowid;

create table visit_corrosion (
    visit integer not null,
    n     integer not null,
    place text    not null,
    grade text    not null,
    primary key (visit, n, place),
    foreign key (visit, n) references visit_finding
) strict, without rowid;

create table visit_work (
    visit       integer not null references visit,
    n           integer not null,
    at_ns       integer not null,
    code        text    not null,
    note        text    not null,
    author      text    not null,
    recorded_ns integer not null,
    primary key (visit, n)
) strict, without rowid;

create table visit_detail (
    visit integer not null,
    n     integer not null,
    name  text    not null,
    value text    not null,
    primary key (visit, n, name),
    foreign key (visit, n) references visit_work
) strict, without rowid;

create table visit_part (
    visit       integer not null references visit,
    n           integer not null,
    lot         integer not null references part_lot,
    quantity    integer not null,
    author      text    not null,
    recorded_ns integer not null,
    primary key (visit, n)
) strict, without rowid;

create table visit_photo (
    id          integer primary key,
    visit       integer not null references visit,
    caption     text    not null,
    taken_ns    integer,          -- null when nobody said
    type        text    not null,
    width       integer not null,
    height      integer not null,
    size        integer not null,
    body        blob    not null,
    author      text    not null,
    recorded_ns integer not null
) strict;
create index visit_photo_visit on visit_photo (visit, id);

create table visit_jar (
    visit       integer not null references visit,
    n           integer not null,
    begin_ns    integer not null,
    end_ns      integer,          -- null while it lasts
    inside      text    not null,
    author      text    not null,
    recorded_ns integer not null,
    primary key (visit, n)
) strict, without rowid;

create table visit_card (
    visit       integer not null references visit,
    n           integer not null,
    at_ns       integer not null,
    body        text    not null, -- JSON
    result      text    not null, -- JSON
    author      text    not null,
    recorded_ns integer not null,
    primary key (visit, n)
) strict, without rowid;

create table symptom (
    id          integer primary key,
    station     integer not null references station,
    visit       integer references visit, -- null when it was told for none
    kind        text    not null,
    note        text    not null,
    reported_by text    not null,
    since       text    not null, -- date or ''
    author      text    not null,
    recorded_ns integer not null
) strict;
create index symptom_station on symptom (station, id);
create index symptom_visit on symptom (visit, id) where visit is not null;
