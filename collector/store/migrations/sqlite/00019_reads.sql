-- +goose Up

-- How a person reads pages: language, degrees, numbers, theme, as name=value with +
-- between; empty: as the browser says.
alter table account add column reads text not null default '';
