-- What made a journal of version 4 one of version 5, as its program did it. Never changed.
ALTER TABLE calls ADD COLUMN media TEXT;
PRAGMA user_version = 5;
