-- Events get numbers that are the file's own: from 1 without gaps over all sessions, so that a program that was away
-- can ask for what came after the last one it saw. Those of before are numbered in the order in which they
-- were written.
--
-- An event is committed at once, and told to subscribers only then: the number that anybody saw is in the file when
-- the process is killed. (`synchronous=NORMAL` lets a loss of power take the last commits with it, numbers included.)

ALTER TABLE event RENAME TO event_of_session;

CREATE TABLE event (
    seq     INTEGER PRIMARY KEY CHECK (seq >= 1),                -- from 1 without gaps over the whole file
    session INTEGER NOT NULL REFERENCES session (id),
    at_us   INTEGER NOT NULL,
    kind    TEXT    NOT NULL CHECK (length(kind) BETWEEN 1 AND 64),
    detail  TEXT    NOT NULL                                     -- JSON object: words and the facts of the kind; older
                                                                 -- sessions have free text
) STRICT;

INSERT INTO event (seq, session, at_us, kind, detail)
SELECT row_number() OVER (ORDER BY session, seq), session, at_us, kind, detail FROM event_of_session;

DROP TABLE event_of_session;

CREATE INDEX event_by_session ON event (session, seq);
