-- +goose Up

-- What came of the newest burst of the heater of a station's inside sensor.
create table heater_burst (
    station      integer primary key references station,
    at_ns        integer not null,
    result       text    not null,
    fell_pct     real    not null, -- %RH
    expected_pct real    not null, -- %RH
    warmed_k     real    not null,
    back_pct     real              -- %RH; null: not known yet
) strict;
