-- +goose Up

-- What was foretold of a station's night at one time of issue. Rows are added and
-- never changed: what was said stays said.
create table outlook (
    station bigint not null references station,
    night text collate "C" not null, -- local solar date of the evening
    issue text collate "C" not null, -- early, evening or late
    issued_ns bigint not null, -- nothing later was used
    until_ns bigint not null, -- sunrise
    heard_ns bigint not null, -- the newest reading that was used
    p_condensing double precision not null,
    p_at_risk double precision not null,
    basis text collate "C" not null, -- own, site, build or climate
    forecast bigint not null, -- 0 or 1: somebody's forecast was used
    made_ns bigint not null, -- by the collector's clock
    primary key (station, night, issue)
);
create index outlook_issued on outlook (station, issued_ns);

-- What a night came to; null: not known.
create table outlook_night (
    station bigint not null references station,
    night text collate "C" not null,
    condensing bigint, -- 0 or 1
    at_risk bigint,
    primary key (station, night)
);

-- What is remembered of a station's nights after the reading at at_ns. Few are
-- kept.
create table outlook_state (
    station bigint not null references station,
    at_ns bigint not null,
    due_ns bigint not null, -- from when on a reading makes something new
    version bigint not null, -- of the rules
    body bytea not null, -- gzip of JSON
    primary key (station, at_ns)
);

-- Forecasts of the weather that people brought.
create table forecast (
    site text collate "C" not null, -- as in facts
    issued_ns bigint not null,
    t_ns bigint not null,
    temp_c double precision not null,
    dew_point_c double precision not null,
    cloud_pct double precision,
    wind_m_s double precision,
    primary key (site, issued_ns, t_ns)
);

-- What looks into a station's boxes teach: that something happened between two
-- shares of the time that common practice gives it.
create table life_look (
    station bigint not null references station,
    n bigint not null, -- from 1
    kind text collate "C" not null, -- a build, or cover
    low double precision not null,
    high double precision, -- null: it has not happened
    primary key (station, n)
);
