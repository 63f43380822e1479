"""The journal's tables, their version, and how an older file becomes a newer one.

Times are whole seconds since 1970-01-01 UTC; grades are the numbers of :class:`Grade`; units are
those of the quantities. The quantities of all hours of a brief stand together in one compressed
column (see ``taken``): apart they would take six times the room.
"""

from __future__ import annotations

#: "wxgj" as the file's own mark, so that another program's file is never taken for a journal.
APPLICATION_ID = 0x7778676A

_FIRST = """
CREATE TABLE brief (
    id INTEGER PRIMARY KEY,
    made INTEGER NOT NULL,
    site TEXT NOT NULL,
    site_name TEXT NOT NULL,
    latitude REAL NOT NULL,
    longitude REAL NOT NULL,
    zone TEXT NOT NULL,
    aircraft TEXT NOT NULL,
    pilot TEXT NOT NULL,
    skill TEXT NOT NULL,
    height REAL NOT NULL,
    grade INTEGER NOT NULL,
    window_start INTEGER,
    window_end INTEGER,
    rulebook TEXT NOT NULL,
    rulebook_sha256 TEXT NOT NULL,
    graded_by TEXT NOT NULL,
    version TEXT NOT NULL,
    demonstration INTEGER NOT NULL,
    provenance TEXT NOT NULL,
    notes TEXT NOT NULL,
    quantities BLOB NOT NULL
);
CREATE INDEX brief_site ON brief (site, made);
CREATE TABLE verdict (
    brief INTEGER NOT NULL REFERENCES brief (id),
    start INTEGER NOT NULL,
    grade INTEGER NOT NULL,
    margin REAL,
    limiting TEXT,
    chance REAL,
    PRIMARY KEY (brief, start)
) WITHOUT ROWID;
CREATE INDEX verdict_start ON verdict (start);
CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    made INTEGER NOT NULL,
    site TEXT NOT NULL,
    mean REAL,
    maximum REAL,
    height REAL,
    surface TEXT,
    minutes REAL,
    sheltered INTEGER,
    beaufort INTEGER,
    hover REAL,
    hover_height REAL,
    cloud REAL,
    cloud_base REAL,
    rain INTEGER,
    thunder INTEGER,
    visibility REAL,
    temperature REAL,
    grade INTEGER,
    answer TEXT NOT NULL,
    notes TEXT NOT NULL
);
CREATE INDEX reading_made ON reading (made);
CREATE TABLE deed (
    id INTEGER PRIMARY KEY,
    made INTEGER NOT NULL,
    site TEXT NOT NULL,
    start INTEGER NOT NULL,
    "end" INTEGER,
    done TEXT NOT NULL,
    aircraft TEXT NOT NULL,
    pilot TEXT NOT NULL,
    reason TEXT NOT NULL,
    notes TEXT NOT NULL
);
CREATE INDEX deed_start ON deed (start);
CREATE TABLE observation (
    station TEXT NOT NULL,
    time INTEGER NOT NULL,
    raw TEXT NOT NULL,
    distance_km REAL,
    PRIMARY KEY (station, time)
) WITHOUT ROWID;
CREATE INDEX observation_time ON observation (time);
"""

#: The quantiles of the weathers that a brief left possible, compressed; NULL where none was worked
#: out, as in all briefs of the first version.
_SPREAD = "ALTER TABLE brief ADD COLUMN spread BLOB"

#: What makes version n of version n - 1. A new version is one more entry, never an edit of an old
#: one: files of every version are about.
STEPS: tuple[str, ...] = (_FIRST, _SPREAD)
VERSION = len(STEPS)
TABLES = ("brief", "verdict", "reading", "deed", "observation")
