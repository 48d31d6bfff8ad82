-- Two times, doubts, what a session inherits, and the wall clock.
--
-- A frame arrives and was measured before that. The arrival moves the engine; the instant of measurement is what its
-- ranges, and a position made of them, are for. Columns are added at the end, so that logs of before read on: in their
-- rows both times are one.

INSERT INTO verdict (code, name, meaning) VALUES
    (9,  'old',       'the frame was measured longer ago than [track] max_age_s'),
    (10, 'repeated',  'the frame came before: the same counter, or sent again'),
    (11, 'frozen',    'the frame is bit for bit those of before, for longer than chance allows'),
    (12, 'unsettled', 'nobody can say how old the frame is: after a start, a gap, or at an odd pace'),
    (13, 'held',      'the module holds on to the anchor''s last range; the anchor has not answered');

INSERT INTO no_fix (code, name, meaning) VALUES
    (9,  'old frames',      'frames come, but none that may be taken for the present: see verdict 9'),
    (10, 'repeated frames', 'the same, see verdict 10'),
    (11, 'frozen frames',   'the same, see verdict 11'),
    (12, 'age unknown',     'the same, see verdict 12');

-- When the frame was measured, as far as that can be told; NULL: when it arrived (at_us).
ALTER TABLE frame ADD COLUMN measured_at_us INTEGER;
-- Why it was not taken for the present, a code of `verdict` from 9 to 12; NULL when it was.
ALTER TABLE frame ADD COLUMN doubt INTEGER REFERENCES verdict (code);
-- 1: heard before the session began, and handed on to it: the engine takes it in without a word. These come first.
ALTER TABLE frame ADD COLUMN inherited INTEGER NOT NULL DEFAULT 0 CHECK (inherited IN (0, 1));

-- When the frame behind the report arrived, or a time ran out; NULL: at_us. (at_us is the instant of measurement.)
ALTER TABLE fix ADD COLUMN received_at_us INTEGER;

-- The numbers that a session goes on from, so that they never go back on a live stream; no row: from 0.
CREATE TABLE inherited_numbers (
    session      INTEGER PRIMARY KEY REFERENCES session (id),
    at_us        INTEGER NOT NULL,                              -- the instant up to which its inheritance was known
    position_seq INTEGER NOT NULL CHECK (position_seq >= 0),
    delayed_seq  INTEGER NOT NULL CHECK (delayed_seq >= 0),
    zone_seq     INTEGER NOT NULL CHECK (zone_seq >= 0)
) STRICT;

-- What was known of an anchor when the session began.
CREATE TABLE inherited_anchor (
    session       INTEGER NOT NULL REFERENCES session (id),
    anchor        INTEGER NOT NULL CHECK (anchor BETWEEN 0 AND 65535),
    silent        INTEGER NOT NULL CHECK (silent IN (0, 1)),    -- 1: it had fallen silent
    since_us      INTEGER NOT NULL,                             -- since when it was so
    last_heard_us INTEGER NOT NULL,
    last_range_m  REAL,
    PRIMARY KEY (session, anchor)
) STRICT, WITHOUT ROWID;

-- How the session's time scale maps to UTC from an instant on: UTC = at_us + utc_minus_session_us. The scale itself is
-- a steady clock that no change of the wall clock touches. Before the first row the difference is 0.
CREATE TABLE clock (
    session              INTEGER NOT NULL REFERENCES session (id),
    at_us                INTEGER NOT NULL,
    utc_minus_session_us INTEGER NOT NULL,
    PRIMARY KEY (session, at_us)
) STRICT, WITHOUT ROWID;
