-- Form 1. Moments are milliseconds since the Unix epoch; digests are SHA-256.

CREATE TABLE line (
    id INTEGER PRIMARY KEY,
    circuit TEXT NOT NULL,
    position TEXT NOT NULL,
    UNIQUE (circuit, position)
);

-- Names and selectors, once each; `of` is the figure as JSON.
CREATE TABLE figure (
    id INTEGER PRIMARY KEY,
    of TEXT NOT NULL UNIQUE,
    unit TEXT NOT NULL
);

-- What was typed in about the access line, once each.
CREATE TABLE line_facts (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL UNIQUE
);

-- `seq` counts from 1 without gaps; `entry` covers the row, its readings and `previous`, the entry before.
-- `dropped`: 1 the document, 2 the sketches, 4 the readings (days of them stay packed).
CREATE TABLE visit (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    line INTEGER NOT NULL REFERENCES line,
    started INTEGER NOT NULL,
    finished INTEGER,
    complete INTEGER NOT NULL,
    depth TEXT NOT NULL,
    profile TEXT NOT NULL,
    profile_digest TEXT NOT NULL,
    verdict TEXT NOT NULL,
    service TEXT NOT NULL,
    segment TEXT,
    fault TEXT NOT NULL,
    confidence REAL NOT NULL,
    line_facts INTEGER REFERENCES line_facts,
    record_digest TEXT NOT NULL,
    figures BLOB NOT NULL,
    previous BLOB NOT NULL,
    entry BLOB NOT NULL,
    dropped INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX visit_by_time ON visit (line, started);

CREATE TABLE reading (
    line INTEGER NOT NULL,
    figure INTEGER NOT NULL,
    at INTEGER NOT NULL,
    visit INTEGER NOT NULL,
    value REAL NOT NULL,
    low REAL,
    high REAL,
    confidence REAL NOT NULL,
    samples INTEGER NOT NULL,
    exceeds INTEGER NOT NULL,
    verdict TEXT,
    PRIMARY KEY (line, figure, at, visit)
) WITHOUT ROWID;

-- Delays of one visit, sample by sample, in buckets.
CREATE TABLE sketch (
    line INTEGER NOT NULL,
    figure INTEGER NOT NULL,
    at INTEGER NOT NULL,
    visit INTEGER NOT NULL,
    octets BLOB NOT NULL,
    PRIMARY KEY (line, figure, at, visit)
) WITHOUT ROWID;

-- Days (UTC) that are packed, and what they hold.
CREATE TABLE packed (
    line INTEGER NOT NULL,
    day INTEGER NOT NULL,
    PRIMARY KEY (line, day)
) WITHOUT ROWID;
CREATE TABLE day (
    line INTEGER NOT NULL,
    figure INTEGER NOT NULL,
    day INTEGER NOT NULL,
    octets BLOB NOT NULL,
    PRIMARY KEY (line, figure, day)
) WITHOUT ROWID;
CREATE TABLE day_sketch (
    line INTEGER NOT NULL,
    figure INTEGER NOT NULL,
    day INTEGER NOT NULL,
    octets BLOB NOT NULL,
    PRIMARY KEY (line, figure, day)
) WITHOUT ROWID;

-- The records themselves, deflated, by policy.
CREATE TABLE document (
    visit INTEGER PRIMARY KEY REFERENCES visit,
    octets BLOB NOT NULL
);
