-- Events are told when they happen, and written after that. So that no number ever means two events, whatever is lost when
-- the power goes, numbers are set aside in the file before the first of them is told: that step alone is synced. A start
-- goes on after `reserved_until`, or at the clock in milliseconds when that is more. So numbers grow, and have gaps
-- between runs.

CREATE TABLE event_reserve (
    id             INTEGER PRIMARY KEY CHECK (id = 1),            -- one row
    reserved_until INTEGER NOT NULL CHECK (reserved_until >= 0)   -- no number up to this one is given again
) STRICT;

INSERT INTO event_reserve SELECT 1, coalesce(max(seq), 0) FROM event;
