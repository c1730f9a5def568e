-- +goose Up

-- What came of a finding at a visit, with the reason. What was written down
-- later of the same finding holds.
create table visit_outcome (
    visit bigint not null references visit,
    n bigint not null,
    kind text collate "C" not null, -- of the station's occurrence
    number bigint not null,
    outcome text collate "C" not null,
    reason text collate "C" not null,
    at_ns bigint not null,
    author text collate "C" not null,
    recorded_ns bigint not null,
    primary key (visit, n)
);
