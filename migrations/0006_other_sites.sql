-- Other sites that were known to a session.
--
-- When the ranges and the site file of a session don't fit each other, the file of another site that lies in the same folder
-- may: the test looks at those, too. What was known of them stands here, so that a replay finds what was found.

-- JSON: a list of files, each with file, name, unit (null without [frame]), tag_height_m (null in 3D) and anchors (id, field or
-- null, at_m in metres); NULL when there were none, and in sessions of before.
ALTER TABLE session ADD COLUMN other_sites TEXT;
