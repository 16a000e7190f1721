"""The tables of a logbook file, and how one is told from other files."""

APPLICATION_ID = 0x70726877  # "prhw"; SQLite keeps it in the file's header for this purpose
VERSION = 1
"""Rises when a table changes; a file of a later version is refused, not guessed at."""

MAGIC = b"SQLite format 3\0"

TABLES = (
    """CREATE TABLE runs (
        id INTEGER PRIMARY KEY,
        started_at REAL NOT NULL,    -- seconds since 1970, UTC
        utc_offset_s INTEGER NOT NULL,
        command TEXT NOT NULL,
        source TEXT NOT NULL,
        title TEXT NOT NULL,
        rate_hz INTEGER NOT NULL,
        version TEXT NOT NULL,
        last_at REAL NOT NULL,       -- the newest sign of life
        last_time_s REAL NOT NULL,
        is_ended INTEGER NOT NULL    -- 1: a clean end; 0: still running, or torn off
    )""",
    """CREATE TABLE channels (
        run INTEGER NOT NULL REFERENCES runs,
        number INTEGER NOT NULL,     -- from 1, as on the interface
        name TEXT NOT NULL,
        kind TEXT NOT NULL,
        partner TEXT NOT NULL,
        PRIMARY KEY (run, number)
    )""",
    """CREATE TABLE entries (
        id INTEGER PRIMARY KEY,      -- in the order they came
        run INTEGER NOT NULL REFERENCES runs,
        at REAL NOT NULL,
        time_s REAL NOT NULL,
        kind TEXT NOT NULL,
        channel INTEGER,
        data TEXT NOT NULL           -- JSON
    )""",
    "CREATE INDEX entries_of_run ON entries (run, kind, id)",
    """CREATE TABLE clips (
        run INTEGER NOT NULL REFERENCES runs,
        ring INTEGER NOT NULL,
        channel INTEGER NOT NULL,
        time_s REAL NOT NULL,
        alarm_at_s REAL NOT NULL,
        rate_hz INTEGER NOT NULL,
        flac BLOB NOT NULL,
        PRIMARY KEY (run, ring)
    )""",
    """CREATE TABLE spectra (
        run INTEGER NOT NULL REFERENCES runs,
        ring INTEGER NOT NULL,
        channel INTEGER NOT NULL,
        time_s REAL NOT NULL,
        bin_hz REAL NOT NULL,
        level_cdb BLOB NOT NULL,     -- int16, little-endian, hundredths of a dBFS, from 0 Hz
        PRIMARY KEY (run, ring)
    )""",
)
