-- What made a journal of version 2 one of version 3, as its program did it. Never changed.
ALTER TABLE lines ADD COLUMN recent INTEGER NOT NULL DEFAULT 0;
ALTER TABLE lines ADD COLUMN recent_at INTEGER;
ALTER TABLE lines ADD COLUMN no_opening_by INTEGER;
PRAGMA user_version = 3;
