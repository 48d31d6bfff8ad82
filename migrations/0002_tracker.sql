-- What the tracker adds. Columns are added at the end, so that logs of before read on.

-- Probability that the range is good, as the estimator saw it; NULL from the plain estimator, before
-- there is a place, and in older logs.
ALTER TABLE range ADD COLUMN p_good REAL CHECK (p_good BETWEEN 0 AND 1);

-- 1: the track was given up for another place with this report, so the position may have jumped.
ALTER TABLE fix ADD COLUMN restarted INTEGER NOT NULL DEFAULT 0 CHECK (restarted IN (0, 1));
