-- +goose Up

-- People who were erased. owner is an id, or what took its place where the id
-- itself named the person. What was changed is rewritten on disk afterwards:
-- tables are those that it stood in.
create table erasure (
    id          integer primary key,
    at_ns       integer not null,
    author      text    not null,
    owner       text    not null,
    facts       integer not null, -- deleted
    changed     integer not null, -- texts
    tables      text    not null, -- names, with a space between
    finished_ns integer           -- when all was rewritten; null before
) strict;
