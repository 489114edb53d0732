-- The record of runs, version 2. Times ending in _ms are run time in milliseconds.
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
	readings    INTEGER NOT NULL DEFAULT 0, -- of this run, sealed or not
	events      INTEGER NOT NULL DEFAULT 0, -- rows of this run in events
	kept        INTEGER NOT NULL DEFAULT 0, -- never pruned
	files_hash  TEXT                        -- SHA-256 of bench_text, then of job_text, hexadecimal; NULL: begun under version 1
) STRICT;

CREATE TABLE meters (
	run  INTEGER NOT NULL REFERENCES runs,
	idx  INTEGER NOT NULL,
	name TEXT NOT NULL,
	rejected INTEGER,                      -- frames not taken for readings while the run was on; NULL: begun under version 1
	PRIMARY KEY (run, idx)
) STRICT, WITHOUT ROWID;

-- The last minutes of a run, row by row. seq is one numbering across readings
-- and acts, in order of arrival. A hole in it is what a failing disk did not
-- take; host_events says so in words. Rows up to the last of the run's seals
-- are sealed, and on their way out: they count no more.
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

-- A seal closes a stretch of a run's numbers, from its own to last. Its
-- readings are in blocks, one per meter, whose keys lie between the two.
CREATE TABLE seals (
	key      INTEGER PRIMARY KEY,          -- run << 36 | first number
	last     INTEGER NOT NULL,             -- seq
	readings INTEGER NOT NULL,             -- in all its blocks
	crc      INTEGER NOT NULL,             -- CRC-32C of key, last and readings as 8 bytes each, little-endian, and arrival
	arrival  BLOB NOT NULL,                -- the order in which the readings arrived: order.go
	run      INTEGER AS (key >> 36),
	seq      INTEGER AS (key & 0xFFFFFFFFF)
) STRICT;

CREATE TABLE blocks (
	key      INTEGER PRIMARY KEY,          -- run << 36 | number of its first reading
	meter    INTEGER NOT NULL,             -- meters.idx
	readings INTEGER NOT NULL,
	first_ms INTEGER NOT NULL,
	last_ms  INTEGER NOT NULL,
	lo       INTEGER NOT NULL,             -- least and greatest digits, whatever their exponent
	hi       INTEGER NOT NULL,
	crc      INTEGER NOT NULL,             -- CRC-32C of the seven above as 8 bytes each, little-endian, and data
	data     BLOB NOT NULL,                -- block.go
	run      INTEGER AS (key >> 36),
	seq      INTEGER AS (key & 0xFFFFFFFFF)
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
