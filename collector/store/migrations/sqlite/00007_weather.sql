-- +goose Up

-- Who observed weather for a site: somebody some way off.
create table weather_source (
    id          integer primary key,
    site        text    not null, -- as in facts
    name        text    not null,
    distance_km real,             -- null: not said
    unique (site, name)
) strict;

-- Observed weather. rain_mm fell in the interval that ends at t_ns. What is
-- computed is not observed: it follows from the other value and the temperature.
create table weather (
    source        integer not null references weather_source,
    t_ns          integer not null,
    temp_c        real,
    rh_pct        real,
    dew_point_c   real,
    rain_mm       real,
    wind_m_s      real,
    cloud_pct     real,
    rh_computed   integer not null, -- 0 or 1
    dew_computed  integer not null,
    primary key (source, t_ns)
) strict, without rowid;
