-- What made a journal of version 1 one of version 2, as its program did it. Never changed.
ALTER TABLE calls ADD COLUMN failed INTEGER NOT NULL DEFAULT 0;
ALTER TABLE calls ADD COLUMN clearing INTEGER NOT NULL DEFAULT 0;
UPDATE calls SET failed = 1 WHERE outcome = 6 OR outcome = 8 AND trial = 0 OR outcome = 7 AND answered IS NOT NULL
	OR outcome = 3 AND measured > 0 AND measured < asked - asked / 10
	OR outcome = 5 AND answered IS NOT NULL AND hook <> 1 AND (cleared_by = 3 OR rule IN (5, 6, 7, 8, 9, 10));
UPDATE calls SET clearing = 1 WHERE cleared IS NOT NULL AND outcome <> 1;
CREATE INDEX calls_failed ON calls(began) WHERE failed = 1;
CREATE INDEX calls_failed_line ON calls(line, began) WHERE failed = 1;
CREATE INDEX calls_clearing ON calls(line, began) WHERE clearing = 1;
CREATE TABLE losses(id INTEGER PRIMARY KEY, began INTEGER NOT NULL, ended INTEGER NOT NULL, records INTEGER NOT NULL);
PRAGMA user_version = 2;
