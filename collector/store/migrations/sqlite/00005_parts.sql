-- +goose Up

-- Kinds of parts, and what they fit.
create table part_kind (
    id            text    primary key,
    name          text    not null,
    class         text    not null,
    unit          text    not null,
    irreplaceable integer not null, -- 0 or 1
    last_one      integer not null, -- 0 or 1: taking the last one takes somebody's word
    minimum       integer not null
) strict, without rowid;
create table part_fit (
    kind  text    not null references part_kind,
    n     integer not null,
    model text    not null,
    primary key (kind, n)
) strict, without rowid;

-- How parts are made up from others.
create table part_recipe (
    id       text    primary key,
    makes    text    not null references part_kind,
    quantity integer not null,
    grade    text    not null,
    hours    real    not null
) strict, without rowid;
create table part_need (
    recipe    text    not null references part_recipe,
    n         integer not null,
    kind      text    not null references part_kind,
    quantity  integer not null,
    condition text    not null, -- '' for any that is usable
    primary key (recipe, n)
) strict, without rowid;
create table part_step (
    recipe text    not null references part_recipe,
    n      integer not null,
    says   text    not null,
    primary key (recipe, n)
) strict, without rowid;

-- One making by a recipe; what went in and came out are moves.
create table part_make (
    id      integer primary key,
    recipe  text    not null references part_recipe,
    times   integer not null,
    station text    not null, -- '' for none
    at_ns   integer not null,
    author  text    not null
) strict;

-- Parts that are alike and came together. How many there are is the sum of
-- moves, which are only ever added.
create table part_lot (
    id        integer primary key,
    kind      text    not null references part_kind,
    condition text    not null,
    grade     text    not null,
    owner     text    not null, -- id of an owner in the books; '' for the shop
    loan      integer not null, -- 0 or 1: the owner lent it
    place     text    not null,
    origin    text    not null,
    note      text    not null,
    make      integer references part_make
) strict;
create index part_lot_kind on part_lot (kind, id);
create index part_lot_owner on part_lot (owner);
create table part_move (
    id            integer primary key,
    lot           integer not null references part_lot,
    delta         integer not null,
    reason        text    not null,
    station       text    not null, -- '' for none
    visit         integer,
    make          integer references part_make,
    party         text    not null, -- id of an owner in the books; '' for none
    purpose       text    not null,
    last_one      integer not null, -- 0 or 1: somebody said that the last one may go
    took_reserved integer not null, -- 0 or 1
    at_ns         integer not null,
    author        text    not null
) strict;
create index part_move_lot on part_move (lot, id);
create index part_move_make on part_move (make, id) where make is not null;
create index part_move_visit on part_move (visit, id) where visit is not null;

-- Who wants what. Taken grows until it is all; ended_ns is null while it is open.
create table part_reservation (
    id       integer primary key,
    kind     text    not null references part_kind,
    lot      integer references part_lot,
    quantity integer not null,
    taken    integer not null,
    grade    text    not null,
    station  text    not null references station (name) on update cascade,
    visit    integer,
    purpose  text    not null,
    paid     integer not null, -- 0 or 1
    need_by  text    not null, -- date; '' for none
    made_ns  integer not null,
    author   text    not null,
    ended_ns integer
) strict;
create index part_reservation_open on part_reservation (kind, id) where ended_ns is null;
