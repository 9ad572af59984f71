-- When outlets were paused and resumed by people. Rows are never changed: the
-- newest of an outlet is how it stands.
CREATE TABLE outlet_pauses (
  event  INTEGER PRIMARY KEY,
  outlet TEXT    NOT NULL,
  paused INTEGER NOT NULL,             -- 1: paused, 0: resumed
  at     INTEGER NOT NULL,
  actor  TEXT    NOT NULL,
  reason TEXT    NOT NULL
);
CREATE INDEX outlet_pauses_outlet ON outlet_pauses (outlet, event);
