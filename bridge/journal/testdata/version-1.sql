-- A journal of version 1, as its program made it. Never changed.
PRAGMA auto_vacuum = INCREMENTAL;
PRAGMA journal_mode = WAL;
CREATE TABLE counters(name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE runs(id INTEGER PRIMARY KEY, began INTEGER NOT NULL, ended INTEGER, version TEXT NOT NULL);
CREATE TABLE lines(
	id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
	stayed INTEGER NOT NULL DEFAULT 0, basis TEXT NOT NULL DEFAULT '', callback_by INTEGER,
	probe INTEGER NOT NULL DEFAULT 0, sense INTEGER NOT NULL DEFAULT 0, user_agent TEXT NOT NULL DEFAULT '', trust_at INTEGER
);
CREATE TABLE calls(
	id INTEGER PRIMARY KEY, changed INTEGER NOT NULL, run INTEGER NOT NULL, line INTEGER NOT NULL, call INTEGER NOT NULL,
	direction INTEGER NOT NULL, emergency INTEGER NOT NULL, trial INTEGER NOT NULL,
	number TEXT NOT NULL, name TEXT NOT NULL, sip_call_id TEXT NOT NULL,
	began INTEGER NOT NULL, answered INTEGER, cleared INTEGER, ended INTEGER,
	cleared_by INTEGER NOT NULL, evidence INTEGER NOT NULL, late INTEGER NOT NULL, answer INTEGER NOT NULL,
	openings INTEGER NOT NULL, asked INTEGER NOT NULL, measured INTEGER NOT NULL,
	hook INTEGER NOT NULL, verified INTEGER NOT NULL, outcome INTEGER NOT NULL,
	rule INTEGER NOT NULL, incident INTEGER NOT NULL, flash INTEGER NOT NULL, incident_ended INTEGER,
	first INTEGER NOT NULL, last INTEGER NOT NULL
);
CREATE INDEX calls_began ON calls(began);
CREATE INDEX calls_line ON calls(line, began);
CREATE INDEX calls_call ON calls(call);
CREATE INDEX calls_changed ON calls(changed);
CREATE INDEX calls_open ON calls(run) WHERE outcome = 0;
CREATE TABLE events(
	line INTEGER NOT NULL, id INTEGER NOT NULL, at INTEGER NOT NULL, text TEXT NOT NULL, PRIMARY KEY(line, id)
) WITHOUT ROWID;
CREATE TABLE effects(
	line INTEGER NOT NULL, id INTEGER NOT NULL, at INTEGER NOT NULL, text TEXT NOT NULL, asked INTEGER, measured INTEGER,
	PRIMARY KEY(line, id)
) WITHOUT ROWID;
CREATE TABLE incidents(
	id INTEGER PRIMARY KEY, line INTEGER NOT NULL, call INTEGER NOT NULL, reason INTEGER NOT NULL, rule INTEGER NOT NULL,
	flash INTEGER NOT NULL, began INTEGER NOT NULL, ended INTEGER, UNIQUE(line, began, reason)
);
CREATE INDEX incidents_began ON incidents(began);
CREATE INDEX incidents_open ON incidents(line) WHERE ended IS NULL;
CREATE TABLE trials(
	id INTEGER PRIMARY KEY, line INTEGER NOT NULL, session INTEGER NOT NULL, at INTEGER NOT NULL, call INTEGER NOT NULL,
	catch INTEGER NOT NULL, asked INTEGER NOT NULL, measured INTEGER NOT NULL, cleared INTEGER NOT NULL, by INTEGER NOT NULL,
	rang_up INTEGER NOT NULL, UNIQUE(line, session, at)
);
-- What an evening at the Millrace Playhouse left: one line per row.
INSERT INTO counters VALUES('call', 40), ('changed', 90), ('entry', 1000);
INSERT INTO runs VALUES(1, 1773480000000000, 1773500000000000, 'v0.1.0'), (2, 1773510000000000, NULL, 'v0.1.1');
INSERT INTO lines VALUES(1, 'box-office', 1, '800ms 1.2s', 1773519000000000, 1, 0, 'Millrace ATA 2', 1773400000000000);
INSERT INTO lines(id, name) VALUES(2, 'stage-door');
-- id, changed, run, line, call, direction, emergency, trial, number, name, sip_call_id, began, answered, cleared, ended, cleared_by, evidence, late,
-- answer, openings, asked, measured, hook, verified, outcome, rule, incident, flash, incident_ended, first, last
INSERT INTO calls VALUES(1, 91, 1, 1, 41, 1, 0, 0, '5550123', 'Wardrobe', 'a@pbx.example', 1773490000000000, 1773490004000000, 1773490034000000, 1773490036000000, 1, 1, 0, 1, 1, 800000000, 801250000, 1, 1, 2, 0, 0, 0, NULL, 1001, 1004);
INSERT INTO calls VALUES(2, 92, 1, 1, 42, 1, 0, 0, '5550124', '', 'b@pbx.example', 1773491000000000, 1773491004000000, 1773491034000000, 1773491036000000, 1, 1, 0, 1, 1, 800000000, 0, 2, 1, 6, 0, 3, 1, NULL, 1005, 1006);
INSERT INTO calls VALUES(3, 93, 1, 2, 43, 2, 0, 0, '5550125', '', '', 1773492000000000, NULL, 1773492010000000, 1773492010000000, 2, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, NULL, 1007, 1007);
INSERT INTO calls VALUES(4, 94, 1, 2, 44, 1, 0, 0, '', '', '', 1773493000000000, 1773493004000000, 1773493034000000, 1773493034000000, 1, 1, 0, 0, 0, 0, 0, 0, 0, 5, 5, 0, 0, NULL, 1008, 1008);
INSERT INTO calls VALUES(5, 95, 1, 2, 45, 1, 1, 0, '', '', '', 1773494000000000, 1773494004000000, 1773494034000000, 1773494034000000, 1, 1, 0, 0, 0, 0, 0, 0, 0, 5, 3, 0, 0, NULL, 1009, 1009);
INSERT INTO calls VALUES(6, 96, 1, 2, 46, 1, 0, 1, '', '', '', 1773495000000000, 1773495004000000, 1773495034000000, 1773495034000000, 1, 1, 0, 1, 1, 300000000, 301000000, 2, 1, 8, 0, 0, 0, NULL, 1010, 1010);
INSERT INTO calls VALUES(7, 97, 1, 2, 47, 1, 0, 0, '', '', '', 1773496000000000, 1773496004000000, 1773496034000000, 1773496034000000, 1, 1, 0, 1, 1, 800000000, 500000000, 0, 0, 3, 0, 0, 0, NULL, 1011, 1011);
INSERT INTO calls VALUES(8, 98, 2, 1, 48, 1, 0, 0, '', '', '', 1773511000000000, 1773511004000000, NULL, NULL, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, NULL, 1012, 1012);
INSERT INTO calls VALUES(9, 99, 1, 2, 39, 1, 0, 0, '', '', '', 1773497000000000, 1773497004000000, 1773497034000000, 1773497034000000, 1, 1, 0, 2, 0, 0, 0, 1, 1, 5, 7, 0, 0, NULL, 1011, 1011);
INSERT INTO events VALUES(1, 1001, 1773490000000000, 'call-arrived call=41'), (1, 1003, 1773490034000000, 'far-end-cleared call=41 evidence=bye'),
	(1, 1005, 1773491000000000, 'call-arrived call=42'), (1, 1012, 1773511000000000, 'call-arrived call=48');
INSERT INTO effects VALUES(1, 1002, 1773490000000000, 'offer-call call=41', NULL, NULL),
	(1, 1004, 1773490034000000, 'open-loop call=41 seq=1 interval=800ms not-after=+1.2s', 800000000, 801250000),
	(1, 1006, 1773491036000000, 'report incident call=42 reason=interval-short flash', NULL, NULL);
INSERT INTO incidents VALUES(1, 1, 42, 3, 0, 1, 1773491036000000, NULL), (2, 2, 0, 9, 0, 0, 1773480000000000, 1773480060000000);
INSERT INTO trials VALUES(1, 2, 1773494990000, 1773495036000000, 46, 0, 300000000, 301000000, 2, 1, 1);
PRAGMA user_version = 1;
