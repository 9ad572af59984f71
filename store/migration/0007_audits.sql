-- What audit repositories are still to be told of sendings. Rows go when they
-- were taken.
CREATE TABLE audits (
  seq      INTEGER PRIMARY KEY AUTOINCREMENT,
  outlet   TEXT    NOT NULL,
  at       INTEGER NOT NULL,
  body     BLOB    NOT NULL,           -- an AuditEvent
  refusals INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX audits_outlet ON audits (outlet, seq);
