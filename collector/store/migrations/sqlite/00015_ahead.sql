-- +goose Up

-- What was foretold of a station's night at one time of issue. Rows are added and
-- never changed: what was said stays said.
create table outlook (
    station      integer not null references station,
    night        text    not null, -- local solar date of the evening
    issue        text    not null, -- early, evening or late
    issued_ns    integer not null, -- nothing later was used
    until_ns     integer not null, -- sunrise
    heard_ns     integer not null, -- the newest reading that was used
    p_condensing real    not null,
    p_at_risk    real    not null,
    basis        text    not null, -- own, site, build or climate
    forecast     integer not null, -- 0 or 1: somebody's forecast was used
    made_ns      integer not null, -- by the collector's clock
    primary key (station, night, issue)
) strict, without rowid;
create index outlook_issued on outlook (station, issued_ns);

-- What a night came to; null: not known.
create table outlook_night (
    station    integer not null references station,
    night      text    not null,
    condensing integer, -- 0 or 1
    at_risk    integer,
    primary key (station, night)
) strict, without rowid;

-- What is remembered of a station's nights after the reading at at_ns. Few are
-- kept.
create table outlook_state (
    station integer not null references station,
    at_ns   integer not null,
    due_ns  integer not null, -- from when on a reading makes something new
    version integer not null, -- of the rules
    body    blob    not null, -- gzip of JSON
    primary key (station, at_ns)
) strict, without rowid;

-- Forecasts of the weather that people brought.
create table forecast (
    site        text    not null, -- as in facts
    issued_ns   integer not null,
    t_ns        integer not null,
    temp_c      real    not null,
    dew_point_c real    not null,
    cloud_pct   real,
    wind_m_s    real,
    primary key (site, issued_ns, t_ns)
) strict, without rowid;

-- What looks into a station's boxes teach: that something happened between two
-- shares of the time that common practice gives it.
create table life_look (
    station integer not null references station,
    n       integer not null, -- from 1
    kind    text    not null, -- a build, or cover
    low     real    not null,
    high    real,             -- null: it has not happened
    primary key (station, n)
) strict, without rowid;
