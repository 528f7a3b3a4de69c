-- What made a journal of version 3 one of version 4, as its program did it. Never changed.
ALTER TABLE lines ADD COLUMN second_passed INTEGER;
ALTER TABLE lines ADD COLUMN second_failed INTEGER;
PRAGMA user_version = 4;
