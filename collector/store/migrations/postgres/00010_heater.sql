-- +goose Up

-- What came of the newest burst of the heater of a station's inside sensor.
create table heater_burst (
    station bigint primary key references station,
    at_ns bigint not null,
    result text collate "C" not null,
    fell_pct double precision not null, -- %RH
    expected_pct double precision not null, -- %RH
    warmed_k double precision not null,
    back_pct double precision -- %RH; null: not known yet
);
