-- +goose Up

-- Up to which day, and up to which batch, a station's days were looked through
-- for batches to be packed by columns.
create table pack_mark (
    station bigint primary key references station,
    day     bigint not null,
    batch   bigint not null
);

-- In SQLite an index holds the row's number by itself.
drop index batch_day;
create index batch_day on batch (station, day, id);
