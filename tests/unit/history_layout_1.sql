-- The history file as it was first laid out, with two points of one series and two records known.
CREATE TABLE epoch (site TEXT PRIMARY KEY, number INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE covered (
    site TEXT NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    earliest_ms INTEGER NOT NULL, latest_ms INTEGER NOT NULL, PRIMARY KEY (site, first)) WITHOUT ROWID;
CREATE TABLE record (
    site TEXT NOT NULL, epoch INTEGER NOT NULL, seq INTEGER NOT NULL, at_ms INTEGER NOT NULL,
    kind TEXT NOT NULL, key TEXT NOT NULL, fields TEXT NOT NULL, PRIMARY KEY (site, epoch, seq)) WITHOUT ROWID;
CREATE INDEX record_by_kind ON record (site, kind, at_ms);
CREATE TABLE series (
    id INTEGER PRIMARY KEY, site TEXT NOT NULL, name TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (site, name));
CREATE TABLE point (
    series INTEGER NOT NULL, at_ms INTEGER NOT NULL, span_ms INTEGER NOT NULL,
    low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL, count INTEGER NOT NULL,
    PRIMARY KEY (series, at_ms, span_ms)) WITHOUT ROWID;
INSERT INTO covered VALUES ('riverside', 1, 2, 1778700600000, 1778799000000);
INSERT INTO series VALUES (1, 'riverside', 'battery', 'V');
INSERT INTO point VALUES (1, 1778799000000, 0, 12.7, 12.7, 12.7, 1);
INSERT INTO point VALUES (1, 1778700600000, 3600000, 12.4, 12.5, 12.6, 3);
PRAGMA user_version = 1;
