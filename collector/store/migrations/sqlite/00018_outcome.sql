-- +goose Up

-- What came of a finding at a visit, with the reason. What was written down
-- later of the same finding holds.
create table visit_outcome (
    visit       integer not null references visit,
    n           integer not null,
    kind        text    not null, -- of the station's occurrence
    number      integer not null,
    outcome     text    not null,
    reason      text    not null,
    at_ns       integer not null,
    author      text    not null,
    recorded_ns integer not null,
    primary key (visit, n)
) strict, without rowid;
