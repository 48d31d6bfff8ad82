-- The log: what was heard, what became of it, what was published.
--
-- One file holds many sessions. A session is one run of the daemon or one replay. Everything in it is
-- written by one task inside transactions of about a second, so whatever is in the file is whole: a frame
-- never stands without its ranges, and the counters of `session` always agree with the rows.
--
-- Times are microseconds since 1970-01-01T00:00:00 UTC without leap seconds. Lengths are metres in the
-- site frame: east, north, up. NULL means "not known"; it is never written as 0.
--
-- The REFERENCES are kept by construction: the writer gives out the keys itself and leaves SQLite's own
-- enforcement off, which would look up a parent for each of 80 ranges a second (a fifth of the write rate
-- when it was measured). `PRAGMA foreign_key_check` proves them at any time.

PRAGMA application_id = 1751478885; -- 'here': tells this log from other SQLite files

CREATE TABLE session (
    id               INTEGER PRIMARY KEY,       -- from 1, in the order in which sessions began
    started_at_us    INTEGER NOT NULL,          -- stamp of the start, on the time scale of the data
    ended_at_us      INTEGER,                   -- NULL while it runs, and for ever when it was cut off
    last_at_us       INTEGER,                   -- stamp of the newest record in the file; NULL while empty
    site_text        TEXT    NOT NULL,          -- the site file word for word, as it was run
    calibration_text TEXT,                      -- calibration.toml word for word; NULL when there was none
    frame_layout     TEXT    NOT NULL,          -- the layout of the frames; empty for tables and logs
    source           TEXT    NOT NULL,          -- where the bytes came from, as in the site file
    program_version  TEXT    NOT NULL,          -- version of the program that wrote the session
    frames           INTEGER NOT NULL DEFAULT 0 CHECK (frames >= 0),         -- rows in `frame`
    fixes            INTEGER NOT NULL DEFAULT 0 CHECK (fixes >= 0),          -- rows in `fix`
    events           INTEGER NOT NULL DEFAULT 0 CHECK (events >= 0),         -- rows in `event`
    dropped_frames   INTEGER NOT NULL DEFAULT 0 CHECK (dropped_frames >= 0), -- lost to a full queue, or refused
    dropped_fixes    INTEGER NOT NULL DEFAULT 0 CHECK (dropped_fixes >= 0),
    dropped_events   INTEGER NOT NULL DEFAULT 0 CHECK (dropped_events >= 0)
) STRICT;

-- What the codes in `range.verdict` mean.
CREATE TABLE verdict (
    code    INTEGER PRIMARY KEY CHECK (code BETWEEN 0 AND 99),
    name    TEXT    NOT NULL UNIQUE,
    meaning TEXT    NOT NULL
) STRICT;
INSERT INTO verdict (code, name, meaning) VALUES
    (0, 'used',            'took part in the published position'),
    (1, 'no reading',      'the frame said "no range" for this anchor'),
    (2, 'anchor silent',   'no range, and the anchor had been silent for longer than a second'),
    (3, 'out of span',     'a number outside the site''s range span'),
    (4, 'too long',        'left out by the outlier gate: longer than the place allows'),
    (5, 'too short',       'left out by the outlier gate: shorter than the place allows'),
    (6, 'not credible',    'left out by the outlier gate: fits neither the good nor the late model'),
    (7, 'anchor suspect',  'set aside because the anchor itself is suspect'),
    (8, 'no fix',          'a good number, but the epoch gave no position');

-- What the codes in `fix.state` mean.
CREATE TABLE tag_state (
    code    INTEGER PRIMARY KEY CHECK (code BETWEEN 0 AND 99),
    name    TEXT    NOT NULL UNIQUE,
    meaning TEXT    NOT NULL
) STRICT;
INSERT INTO tag_state (code, name, meaning) VALUES
    (0, 'located',   'supported by ranges of this instant'),
    (1, 'coasting',  'predicted from an earlier fix'),
    (2, 'ambiguous', 'two places fit; both are in `candidate`'),
    (3, 'lost',      'no position');

-- What the codes in `fix.no_fix` mean.
CREATE TABLE no_fix (
    code    INTEGER PRIMARY KEY CHECK (code BETWEEN 0 AND 99),
    name    TEXT    NOT NULL UNIQUE,
    meaning TEXT    NOT NULL
) STRICT;
INSERT INTO no_fix (code, name, meaning) VALUES
    (0, 'no ranges',      'no usable range at all'),
    (1, 'too few ranges', 'fewer usable ranges than the dimension needs: see no_fix_have and no_fix_need'),
    (2, 'weak geometry',  'the answering anchors lie so that the place is not determined'),
    (3, 'two places',     'two places fit and nothing tells them apart'),
    (4, 'inconsistent',   'the ranges contradict each other and none can be blamed'),
    (5, 'not converged',  'the iteration did not settle');

-- One row a frame. With its rows in `range` it gives back the epoch that the engine was fed, bit for bit.
CREATE TABLE frame (
    session   INTEGER NOT NULL REFERENCES session (id),
    number    INTEGER NOT NULL CHECK (number >= 1),              -- from 1 without gaps, in order of arrival
    at_us     INTEGER NOT NULL,                                  -- stamp of the frame
    tag       INTEGER NOT NULL CHECK (tag BETWEEN 0 AND 4294967295),
    frame_seq INTEGER CHECK (frame_seq BETWEEN 0 AND 4294967295), -- the module's counter; NULL without one
    PRIMARY KEY (session, number)
) STRICT, WITHOUT ROWID;

-- One row for every anchor of every frame, whatever became of it.
CREATE TABLE range (
    session               INTEGER NOT NULL,
    frame                 INTEGER NOT NULL,
    position              INTEGER NOT NULL CHECK (position BETWEEN 0 AND 255),   -- place in the frame, from 0
    anchor                INTEGER NOT NULL CHECK (anchor BETWEEN 0 AND 65535),   -- once a frame at most
    raw_range_m           REAL,                                                  -- as sent; NULL for "no range"
    range_m               REAL,                                                  -- after offset and scale
    verdict               INTEGER NOT NULL REFERENCES verdict (code),
    residual_m            REAL,                                                  -- measured minus computed
    standardised_residual REAL,                                                  -- residual over its own sigma
    PRIMARY KEY (session, frame, position),
    FOREIGN KEY (session, frame) REFERENCES frame (session, number)
) STRICT, WITHOUT ROWID;

-- One row a position report, published or not located alike.
-- The anchors used and rejected are those of `range` with the same session and frame.
CREATE TABLE fix (
    session             INTEGER NOT NULL REFERENCES session (id),
    seq                 INTEGER NOT NULL CHECK (seq >= 1),       -- the report's own number; gaps were dropped
    at_us               INTEGER NOT NULL,                        -- the instant that the position is for
    valid_until_us      INTEGER NOT NULL,                        -- not to be believed after this
    tag                 INTEGER NOT NULL CHECK (tag BETWEEN 0 AND 4294967295),
    state               INTEGER NOT NULL REFERENCES tag_state (code),
    frame               INTEGER,                                 -- its frame; NULL when a timer, not a frame, made it
    east_m              REAL,                                    -- the nine of a place are all known or none is
    north_m             REAL,
    up_m                REAL,
    cov_ee_m2           REAL,                                    -- covariance, upper triangle
    cov_en_m2           REAL,
    cov_eu_m2           REAL,
    cov_nn_m2           REAL,
    cov_nu_m2           REAL,
    cov_uu_m2           REAL,
    radius95_m          REAL CHECK (radius95_m >= 0),
    protection_radius_m REAL CHECK (protection_radius_m >= 0),
    velocity_east_mps   REAL,                                    -- all three are known or none is
    velocity_north_mps  REAL,
    velocity_up_mps     REAL,
    hdop                REAL CHECK (hdop >= 0),
    vdop                REAL CHECK (vdop >= 0),
    pdop                REAL CHECK (pdop >= 0),
    checked             INTEGER NOT NULL CHECK (checked IN (0, 1)), -- 1: a range was left over to check it with
    no_fix              INTEGER REFERENCES no_fix (code),        -- why there was no fix; NULL for a fix
    no_fix_have         INTEGER CHECK (no_fix_have >= 0),        -- usable ranges, for "too few ranges"
    no_fix_need         INTEGER CHECK (no_fix_need >= 0),        -- ranges needed, for "too few ranges"
    PRIMARY KEY (session, seq),
    FOREIGN KEY (session, frame) REFERENCES frame (session, number),
    CHECK ((east_m IS NULL) = (north_m IS NULL) AND (east_m IS NULL) = (up_m IS NULL)
       AND (east_m IS NULL) = (cov_ee_m2 IS NULL) AND (east_m IS NULL) = (cov_en_m2 IS NULL)
       AND (east_m IS NULL) = (cov_eu_m2 IS NULL) AND (east_m IS NULL) = (cov_nn_m2 IS NULL)
       AND (east_m IS NULL) = (cov_nu_m2 IS NULL) AND (east_m IS NULL) = (cov_uu_m2 IS NULL)),
    CHECK ((velocity_east_mps IS NULL) = (velocity_north_mps IS NULL)
       AND (velocity_east_mps IS NULL) = (velocity_up_mps IS NULL))
) STRICT, WITHOUT ROWID;

-- The places that fit when a report is ambiguous, likelier first.
CREATE TABLE candidate (
    session   INTEGER NOT NULL,
    seq       INTEGER NOT NULL,                                  -- of the report in `fix`
    rank      INTEGER NOT NULL CHECK (rank BETWEEN 0 AND 1),     -- 0 is the likelier one
    east_m    REAL    NOT NULL,
    north_m   REAL    NOT NULL,
    up_m      REAL    NOT NULL,
    cov_ee_m2 REAL    NOT NULL,
    cov_en_m2 REAL    NOT NULL,
    cov_eu_m2 REAL    NOT NULL,
    cov_nn_m2 REAL    NOT NULL,
    cov_nu_m2 REAL    NOT NULL,
    cov_uu_m2 REAL    NOT NULL,
    PRIMARY KEY (session, seq, rank),
    FOREIGN KEY (session, seq) REFERENCES fix (session, seq)
) STRICT, WITHOUT ROWID;

-- What else happened: links lost and found, settings changed, marks.
CREATE TABLE event (
    session INTEGER NOT NULL REFERENCES session (id),
    seq     INTEGER NOT NULL CHECK (seq >= 1),                   -- from 1 without gaps, in order of arrival
    at_us   INTEGER NOT NULL,
    kind    TEXT    NOT NULL CHECK (length(kind) BETWEEN 1 AND 64),
    detail  TEXT    NOT NULL,                                    -- free text or JSON, as the kind says
    PRIMARY KEY (session, seq)
) STRICT, WITHOUT ROWID;

-- For people with a SQLite shell: the same rows with times and codes in words.
CREATE VIEW range_in_words AS
SELECT r.session, r.frame, strftime('%Y-%m-%dT%H:%M:%fZ', f.at_us / 1e6, 'unixepoch') AS time, f.tag, r.anchor,
       r.raw_range_m, r.range_m, v.name AS verdict, r.residual_m, r.standardised_residual
FROM range r
JOIN frame f ON f.session = r.session AND f.number = r.frame
JOIN verdict v ON v.code = r.verdict;

CREATE VIEW fix_in_words AS
SELECT x.session, x.seq, strftime('%Y-%m-%dT%H:%M:%fZ', x.at_us / 1e6, 'unixepoch') AS time, x.tag,
       s.name AS state, x.east_m, x.north_m, x.up_m, x.radius95_m, x.checked, x.hdop, n.name AS no_fix
FROM fix x
JOIN tag_state s ON s.code = x.state
LEFT JOIN no_fix n ON n.code = x.no_fix;
