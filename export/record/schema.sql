-- The record of runs, version 1. Times ending in _ms are run time in milliseconds.
--
-- key is run << 36 | seq: one rowid holds both, so appending touches only the
-- right edge of a table, reading a run is one range scan, and no index is
-- needed. The generated columns take no room.

CREATE TABLE runs (
	n           INTEGER PRIMARY KEY,
	id          TEXT NOT NULL UNIQUE,
	ticket      TEXT NOT NULL,
	amplifier   TEXT NOT NULL,
	bench       TEXT NOT NULL,
	anchor      TEXT NOT NULL,             -- wall clock at run time 0, RFC 3339 UTC
	bench_text  BLOB NOT NULL,             -- the bench file as it was
	job_text    BLOB NOT NULL,             -- the job file as it was
	core        TEXT NOT NULL,
	software    TEXT NOT NULL,
	goarch      TEXT NOT NULL,
	advanced_ms INTEGER NOT NULL DEFAULT 0, -- up to here the run has been judged
	ended_ms    INTEGER,
	ended       TEXT,                      -- wall clock, RFC 3339 UTC
	clean       INTEGER NOT NULL DEFAULT 0, -- the daemon stopped in good order
	readings    INTEGER NOT NULL DEFAULT 0, -- rows of this run in readings
	events      INTEGER NOT NULL DEFAULT 0  -- rows of this run in events
) STRICT;

CREATE TABLE meters (
	run  INTEGER NOT NULL REFERENCES runs,
	idx  INTEGER NOT NULL,
	name TEXT NOT NULL,
	PRIMARY KEY (run, idx)
) STRICT, WITHOUT ROWID;

-- seq is one numbering across readings and acts, in order of arrival. A hole
-- in it is what a failing disk did not take; host_events says so in words.
CREATE TABLE readings (
	key    INTEGER PRIMARY KEY,
	t_ms   INTEGER NOT NULL,
	meter  INTEGER NOT NULL,               -- meters.idx
	digits INTEGER NOT NULL,
	exp    INTEGER NOT NULL,               -- power of ten of the last digit, in unit
	prefix INTEGER NOT NULL,               -- power of ten of the unit shown
	unit   TEXT NOT NULL,                  -- SI, without prefix
	flags  INTEGER NOT NULL,               -- 1 dc, 2 ac, 4 auto, 8 hold, 16 overload, 32 rel, 64 minmax,
	                                       -- 128 lowbat, 256 apo, 512 diode, 1024 beep, 2048 nan
	run    INTEGER AS (key >> 36),
	seq    INTEGER AS (key & 0xFFFFFFFFF)
) STRICT;

CREATE TABLE acts (
	key  INTEGER PRIMARY KEY,
	t_ms INTEGER NOT NULL,
	kind TEXT NOT NULL,                    -- act, port, gap
	body TEXT NOT NULL,                    -- JSON
	run  INTEGER AS (key >> 36),
	seq  INTEGER AS (key & 0xFFFFFFFFF)
) STRICT;

CREATE TABLE events (
	key  INTEGER PRIMARY KEY,
	t_ms INTEGER NOT NULL,
	json TEXT NOT NULL,
	run  INTEGER AS (key >> 36),
	seq  INTEGER AS (key & 0xFFFFFFFFF)
) STRICT;

-- What the host had to say beside the run; never replayed.
CREATE TABLE host_events (
	id   INTEGER PRIMARY KEY,
	run  INTEGER NOT NULL REFERENCES runs,
	wall TEXT NOT NULL,                    -- RFC 3339 UTC
	text TEXT NOT NULL
) STRICT;
