-- +goose Up

-- Up to which day, and up to which batch, a station's days were looked through
-- for batches to be packed by columns.
create table pack_mark (
    station integer primary key references station,
    day     integer not null,
    batch   integer not null
) strict;
