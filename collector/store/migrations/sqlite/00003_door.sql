-- +goose Up

-- People who may sign in. key is the name without regard to case, hash a PHC
-- string.
create table account (
    id         integer primary key,
    name       text    not null,
    key        text    not null unique,
    role       text    not null,
    hash       text    not null,
    made_ns    integer not null,
    last_in_ns integer           -- null before the first sign-in
) strict;

-- Signed-in browsers, by the SHA-256 of what their cookie holds.
create table session (
    hash    blob    primary key,
    account integer not null references account on delete cascade,
    made_ns integer not null,
    used_ns integer not null
) strict, without rowid;
create index session_account on session (account);

-- Browsers in which an account once signed in: whoever guesses its password
-- elsewhere doesn't slow them.
create table browser (
    hash    blob    primary key,
    account integer not null references account on delete cascade,
    made_ns integer not null
) strict, without rowid;
create index browser_account on browser (account);

-- What lets programs in, by its SHA-256.
create table token (
    id         integer primary key,
    name       text    not null,
    key        text    not null unique,
    hash       blob    not null unique,
    role       text    not null,
    author     text    not null,
    made_ns    integer not null,
    expires_ns integer not null,
    used_ns    integer           -- null before the first time
) strict;

-- The trail is read by time, newest first.
create index audit_at on audit (at_ns, id);
create index fact_recorded on fact (recorded_ns, id);
