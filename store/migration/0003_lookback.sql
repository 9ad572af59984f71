-- Lists of results that a failed control or a recalled strip lot casts doubt on.
-- Only "since" ever changes, and only to an earlier time. Whether a list is
-- open follows from its items, and where its span ends from the controls.
CREATE TABLE lookbacks (
  seq       INTEGER PRIMARY KEY,
  id        TEXT    NOT NULL,
  kind      TEXT    NOT NULL,
  site      TEXT    NOT NULL,
  meter     TEXT    NOT NULL,          -- '' for a recall
  strip_lot TEXT    NOT NULL,
  control   INTEGER NOT NULL,          -- the result that failed, 0 for a recall
  ran       INTEGER NOT NULL,          -- when it was run
  since     INTEGER NOT NULL,          -- 0: from the beginning
  late      INTEGER NOT NULL,
  why       TEXT    NOT NULL,
  opened    INTEGER NOT NULL,
  event     INTEGER NOT NULL           -- that opened it, or widened it last
);
CREATE UNIQUE INDEX lookbacks_lot ON lookbacks (strip_lot, meter, control);

CREATE TABLE lookback_items (
  lookback INTEGER NOT NULL REFERENCES lookbacks,
  result   INTEGER NOT NULL REFERENCES results,
  judged   TEXT    NOT NULL,           -- '' while it waits
  actor    TEXT    NOT NULL,
  reason   TEXT    NOT NULL,
  at       INTEGER NOT NULL,
  event    INTEGER NOT NULL,           -- that listed it, or judged it
  PRIMARY KEY (lookback, result)
) WITHOUT ROWID;
CREATE INDEX lookback_items_result ON lookback_items (result);
CREATE INDEX lookback_items_open ON lookback_items (lookback) WHERE judged = '';

-- Open holds that a control which came late may change.
CREATE TABLE rejudgements (
  hold    INTEGER PRIMARY KEY REFERENCES holds,
  control INTEGER NOT NULL REFERENCES results,
  due     INTEGER NOT NULL             -- not before
);
-- Held results of a meter by the time of their test.
CREATE INDEX results_held ON results (meter, tested) WHERE state = 'held' AND kind = 'patient';

-- Attempts to tell a person of a critical result.
CREATE TABLE calls (
  id        INTEGER PRIMARY KEY,
  result    INTEGER NOT NULL REFERENCES results,
  at        INTEGER NOT NULL,
  actor     TEXT    NOT NULL,
  told      TEXT    NOT NULL,          -- whom; '' where an older ledger does not say
  reached   INTEGER NOT NULL,
  read_back TEXT    NOT NULL,
  comment   TEXT    NOT NULL,
  event     INTEGER NOT NULL
);
CREATE INDEX calls_result ON calls (result);
INSERT INTO calls (result, at, actor, told, reached, read_back, comment, event)
  SELECT r.seq, e.at, e.actor, '', 1, '', coalesce(json_extract(e.payload, '$.reason'), ''), e.idx
  FROM events e JOIN results r ON r.id = e.result WHERE e.kind = 'critical-acknowledged' ORDER BY e.idx;
