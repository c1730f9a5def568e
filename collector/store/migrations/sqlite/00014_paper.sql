-- +goose Up

-- Forms that came from pages which were filled in out of reach of the
-- collector: one that comes again is known by its id, and changes nothing.
create table visit_form (
    form text primary key, -- made by the page
    visit integer not null references visit,
    recorded_ns integer not null
) strict, without rowid;

-- Addresses under which other programs may read the calendar of visits, and
-- nothing else.
create table calendar_link (
    id integer primary key,
    name text not null,
    key text not null unique, -- name, without regard to case
    hash blob not null unique, -- SHA-256 of the secret in the address
    author text not null,
    made_ns integer not null
) strict;
