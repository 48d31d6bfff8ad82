-- Lives of tags: frames of numbers that are no tags, or not yet, and the tags that a session inherits.

INSERT INTO verdict (code, name, meaning) VALUES
    (14, 'unknown tag', 'the frame''s tag is not admitted: its number may have been damaged on its way');

-- No position is told with it; the row keeps the codes of both tables one.
INSERT INTO no_fix (code, name, meaning) VALUES
    (14, 'unknown tag', 'see verdict 14');

-- The tags that were admitted when the session began, in the order of their slots. None in a session of before, whose
-- frames admit their tags.
CREATE TABLE inherited_tag (
    session       INTEGER NOT NULL REFERENCES session (id),
    slot          INTEGER NOT NULL CHECK (slot >= 0),
    tag           INTEGER NOT NULL CHECK (tag BETWEEN 0 AND 4294967295),
    last_heard_us INTEGER NOT NULL,                             -- when its last frame arrived
    PRIMARY KEY (session, slot),
    UNIQUE (session, tag)
) STRICT, WITHOUT ROWID;
