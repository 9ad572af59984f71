-- Ids tell their rows: a "seq" is the 60-bit time at the front of the UUID v7
-- beside it, strictly rising, so rows stand in the order they came and an id
-- needs no index. Times are microseconds since 1970, 0 for none. An "event" is
-- the index of the ledger's event that put the row into the state it is in.

-- The bytes as they came. Rows are never changed. Accepting costs one insert
-- and the one index that finds resends; what is searched for otherwise is
-- written when the arrival is decided.
CREATE TABLE arrivals (
  seq      INTEGER PRIMARY KEY,
  id       TEXT    NOT NULL,
  inlet    TEXT    NOT NULL,
  source   TEXT    NOT NULL,
  digest   BLOB    NOT NULL,           -- SHA-256 of the raw bytes
  received INTEGER NOT NULL,
  peer     TEXT    NOT NULL,
  format   TEXT    NOT NULL,
  control  TEXT    NOT NULL,           -- the sender's message number
  batch    INTEGER REFERENCES batches,
  position INTEGER NOT NULL,           -- place in the batch, from 1
  fault    TEXT    NOT NULL,
  event    INTEGER NOT NULL,           -- index of its "received"
  packed   INTEGER NOT NULL,           -- 1: raw is zstd-compressed
  raw      BLOB    NOT NULL,
  UNIQUE (digest, source)
);

CREATE TABLE batches (
  id     INTEGER PRIMARY KEY,
  digest BLOB    NOT NULL UNIQUE,
  packed INTEGER NOT NULL,
  body   BLOB    NOT NULL
);

CREATE TABLE resends (
  arrival INTEGER PRIMARY KEY REFERENCES arrivals,
  count   INTEGER NOT NULL,
  last    INTEGER NOT NULL
);

-- Arrivals that wait for a look-up.
CREATE TABLE waits (
  arrival INTEGER PRIMARY KEY REFERENCES arrivals,
  since   INTEGER NOT NULL,
  until   INTEGER NOT NULL
);

CREATE TABLE notices (
  id    INTEGER PRIMARY KEY,
  inlet TEXT    NOT NULL,
  peer  TEXT    NOT NULL,
  at    INTEGER NOT NULL,
  what  TEXT    NOT NULL,
  bytes BLOB,
  event INTEGER NOT NULL
);

-- What became of each reading of an arrival. An arrival without readings is
-- waiting. The ending is the state of the version that the reading led to.
CREATE TABLE readings (
  arrival INTEGER NOT NULL REFERENCES arrivals,
  idx     INTEGER NOT NULL,            -- place in the arrival, from 0
  result  INTEGER NOT NULL REFERENCES results,
  version INTEGER NOT NULL,            -- 0: none of its own (duplicate, ignored)
  ending  TEXT    NOT NULL,
  control TEXT    NOT NULL,
  PRIMARY KEY (arrival, idx)
) WITHOUT ROWID;
CREATE INDEX readings_result ON readings (result);
CREATE INDEX readings_control ON readings (control) WHERE control <> '';

CREATE TABLE results (
  seq       INTEGER PRIMARY KEY,
  id        TEXT    NOT NULL,
  key       TEXT    NOT NULL,          -- the test's key, '' if it claims none
  state     TEXT    NOT NULL,
  version   INTEGER NOT NULL,          -- the newest
  current   INTEGER NOT NULL,          -- versions.seq of the newest
  filing    INTEGER NOT NULL,
  issued    INTEGER NOT NULL,          -- the last given, strictly rising
  kind      TEXT    NOT NULL,
  site      TEXT    NOT NULL,
  meter     TEXT    NOT NULL,
  authority TEXT    NOT NULL,          -- of the patient, resolved or as sent
  patient   TEXT    NOT NULL,
  tested    INTEGER NOT NULL,
  content   TEXT    NOT NULL,          -- digest of what the newest reading says
  qc        INTEGER NOT NULL,          -- 1: a control within its range
  event     INTEGER NOT NULL
);
CREATE UNIQUE INDEX results_key ON results (key) WHERE key <> '';
CREATE INDEX results_meter ON results (meter, seq) WHERE meter <> '';
CREATE INDEX results_control ON results (meter, tested) WHERE kind = 'control';
CREATE INDEX results_patient ON results (patient, tested) WHERE patient <> '';

-- Rows are never changed.
CREATE TABLE versions (
  seq      INTEGER PRIMARY KEY,
  result   INTEGER NOT NULL REFERENCES results,
  version  INTEGER NOT NULL,
  arrival  INTEGER NOT NULL REFERENCES arrivals,
  verdict  TEXT    NOT NULL,
  rule     TEXT    NOT NULL,
  reading  TEXT    NOT NULL,           -- JSON
  context  TEXT    NOT NULL,           -- JSON, the result without its reading
  problems TEXT    NOT NULL,           -- JSON
  checks   TEXT    NOT NULL,           -- JSON
  actor    TEXT    NOT NULL,
  reason   TEXT    NOT NULL,
  at       INTEGER NOT NULL,
  event    INTEGER NOT NULL,
  UNIQUE (result, version)
);

CREATE TABLE deliveries (
  id         INTEGER PRIMARY KEY,
  result     INTEGER NOT NULL REFERENCES results,
  version    INTEGER NOT NULL,         -- the version that asked for it
  content    INTEGER NOT NULL REFERENCES versions, -- the version that it is about
  outlet     TEXT    NOT NULL,
  action     TEXT    NOT NULL,
  filing     INTEGER NOT NULL,
  issued     INTEGER NOT NULL,
  state      TEXT    NOT NULL,         -- ready, delivered, held, cancelled; leases live in memory
  attempts   INTEGER NOT NULL,
  due        INTEGER NOT NULL,         -- when it became due first
  next       INTEGER NOT NULL,         -- not before
  intent     INTEGER NOT NULL,         -- when its intent was committed, 0: nothing can have left
  sent_by    INTEGER NOT NULL,         -- end of the last possible send
  unsure     INTEGER NOT NULL,
  sha256     BLOB,                     -- of the body
  body       BLOB,                     -- zstd
  remote     TEXT    NOT NULL,         -- JSON
  last_error TEXT    NOT NULL,
  event      INTEGER NOT NULL
);
CREATE INDEX deliveries_result ON deliveries (result);
CREATE INDEX deliveries_ready ON deliveries (outlet, next, id) WHERE state = 'ready';

-- Ids at a record system that stand for one result.
CREATE TABLE remote_ids (
  ref    TEXT    NOT NULL,
  result INTEGER NOT NULL,
  PRIMARY KEY (ref, result)
) WITHOUT ROWID;

CREATE TABLE holds (
  seq      INTEGER PRIMARY KEY,
  id       TEXT    NOT NULL,
  version  INTEGER NOT NULL,
  open     INTEGER NOT NULL,
  arrival  INTEGER NOT NULL REFERENCES arrivals,
  result   INTEGER NOT NULL REFERENCES results,
  content  INTEGER NOT NULL REFERENCES versions,
  delivery INTEGER NOT NULL,           -- the refused one, 0 if none
  opened   INTEGER NOT NULL,
  cause    TEXT    NOT NULL,
  critical INTEGER NOT NULL,
  site     TEXT    NOT NULL,
  problems TEXT    NOT NULL,           -- JSON
  settled  TEXT    NOT NULL,           -- JSON, '' while open
  event    INTEGER NOT NULL            -- that opened it, or that closed it
);
CREATE INDEX holds_open ON holds (seq) WHERE open = 1;
CREATE INDEX holds_result ON holds (result);

CREATE TABLE criticals (
  result  INTEGER PRIMARY KEY REFERENCES results,
  value   TEXT    NOT NULL,
  opened  INTEGER NOT NULL,
  told    TEXT    NOT NULL,            -- who acknowledged it, '' while open
  told_at INTEGER NOT NULL,
  comment TEXT    NOT NULL,
  event   INTEGER NOT NULL
);
CREATE INDEX criticals_open ON criticals (opened) WHERE told = '';

CREATE TABLE registry (
  kind TEXT NOT NULL,
  key  TEXT NOT NULL,
  row  TEXT NOT NULL,                  -- JSON
  PRIMARY KEY (kind, key)
) WITHOUT ROWID;

-- Each row as it was from that event on.
CREATE TABLE registry_history (
  event INTEGER NOT NULL,
  kind  TEXT    NOT NULL,
  key   TEXT    NOT NULL,
  row   TEXT    NOT NULL,
  PRIMARY KEY (event, kind, key)
) WITHOUT ROWID;

-- The ledger: leaves in order. Payload and salt may be erased; then digest
-- keeps what they hashed to.
CREATE TABLE events (
  idx     INTEGER PRIMARY KEY,
  at      INTEGER NOT NULL,
  kind    TEXT    NOT NULL,
  actor   TEXT    NOT NULL,
  arrival TEXT    NOT NULL,
  result  TEXT    NOT NULL,
  version INTEGER NOT NULL,
  hold    TEXT    NOT NULL,
  outlet  TEXT    NOT NULL,
  payload BLOB,
  salt    BLOB,
  digest  TEXT
);
CREATE INDEX events_result ON events (result) WHERE result <> '';
CREATE INDEX events_arrival ON events (arrival) WHERE result = '' AND arrival <> '' AND kind <> 'received';

CREATE TABLE tiles (
  level INTEGER NOT NULL,
  n     INTEGER NOT NULL,
  data  BLOB    NOT NULL,
  PRIMARY KEY (level, n)
);

-- Every head that was ever handed out.
CREATE TABLE checkpoints (
  size INTEGER PRIMARY KEY,
  root BLOB    NOT NULL,
  note BLOB    NOT NULL
);

-- Sums that are kept with what they count, each written in the same commit.
CREATE TABLE counters (
  name TEXT    PRIMARY KEY,
  n    INTEGER NOT NULL,
  at   INTEGER NOT NULL
) WITHOUT ROWID;
