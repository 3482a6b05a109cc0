-- Catalogue, version 1. Times are RFC 3339 in UTC, times on a recording's clock are in seconds.

-- AUTOINCREMENT: an id is never given twice, it names the folder in the trash.
CREATE TABLE recording (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    name TEXT NOT NULL,
    driver TEXT,
    car TEXT,
    circuit TEXT,
    source TEXT NOT NULL,
    content_sha256 TEXT NOT NULL,
    recorded_at TEXT,
    imported_at TEXT NOT NULL,
    from_s REAL NOT NULL,
    to_s REAL NOT NULL,
    note TEXT NOT NULL,
    report TEXT NOT NULL,
    truth TEXT,
    removed_at TEXT
) STRICT;
CREATE UNIQUE INDEX recording_name ON recording (name) WHERE removed_at IS NULL;
CREATE UNIQUE INDEX recording_content ON recording (content_sha256) WHERE removed_at IS NULL;

CREATE TABLE tag (
    recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE,
    tag TEXT NOT NULL,
    PRIMARY KEY (recording, tag)
) STRICT, WITHOUT ROWID;

CREATE TABLE lap (
    recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE,
    number INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('timed', 'out', 'in', 'incomplete')),
    start_s REAL NOT NULL,
    end_s REAL NOT NULL,
    lap_time_s REAL,
    valid INTEGER NOT NULL,
    notes TEXT NOT NULL,
    PRIMARY KEY (recording, number)
) STRICT, WITHOUT ROWID;

-- Sample files, one per clock.
CREATE TABLE clock (
    recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE,
    clock INTEGER NOT NULL,
    file TEXT NOT NULL,
    rows INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (recording, clock)
) STRICT, WITHOUT ROWID;

CREATE TABLE channel (
    recording INTEGER NOT NULL,
    channel TEXT NOT NULL,
    clock INTEGER NOT NULL,
    derived INTEGER NOT NULL,
    PRIMARY KEY (recording, channel),
    FOREIGN KEY (recording, clock) REFERENCES clock ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

CREATE TABLE circuit (
    name TEXT PRIMARY KEY,
    json TEXT NOT NULL,
    changed_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Car files, by the name that recordings give their car.
CREATE TABLE car (
    name TEXT PRIMARY KEY,
    toml TEXT NOT NULL,
    changed_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Steps on the files that are under way, and how to undo them: delete `path`, or move it back to `undo_to`.
-- Rows that are still there when no program is at work belong to a program that was interrupted.
CREATE TABLE unfinished (
    path TEXT PRIMARY KEY,
    undo_to TEXT
) STRICT, WITHOUT ROWID;
