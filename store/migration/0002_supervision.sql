-- What a coordinator looks back by. Both columns repeat what the newest version
-- says; "chain" is the control lot and level of a final control run, apart by
-- U+001F, and '' for everything else.
ALTER TABLE results ADD COLUMN strip_lot TEXT NOT NULL DEFAULT '';
ALTER TABLE results ADD COLUMN chain TEXT NOT NULL DEFAULT '';
UPDATE results SET strip_lot = coalesce((SELECT json_extract(reading, '$.strip_lot') FROM versions v WHERE v.seq = results.current), '');
UPDATE results SET chain = coalesce((SELECT coalesce(json_extract(reading, '$.control_lot'), '') || char(31) || coalesce(json_extract(reading, '$.control_level'), '')
  FROM versions v WHERE v.seq = results.current
  AND coalesce(json_extract(reading, '$.status'), '') NOT IN ('preliminary', 'withdrawn', 'cancelled')), '')
  WHERE kind = 'control';

CREATE INDEX results_lot ON results (strip_lot, tested) WHERE strip_lot <> '';
CREATE INDEX results_site ON results (site, seq, strip_lot) WHERE kind = 'patient';
CREATE INDEX results_lab ON results (tested) WHERE kind = 'comparison';
CREATE INDEX results_chain ON results (meter, strip_lot, chain, tested) WHERE chain <> '';

-- The newest conversation with each meter that told of its clock, and how its
-- clock went. A device time of 0 was not told, and then there is no offset.
CREATE TABLE contacts (
  meter  TEXT    PRIMARY KEY,
  inlet  TEXT    NOT NULL,
  at     INTEGER NOT NULL,
  device INTEGER NOT NULL,
  offset INTEGER NOT NULL              -- device minus ours, microseconds
) WITHOUT ROWID;

-- A row whenever the offset changed by more than 30 s, and else each hour.
CREATE TABLE contact_history (
  meter  TEXT    NOT NULL,
  at     INTEGER NOT NULL,
  inlet  TEXT    NOT NULL,
  device INTEGER NOT NULL,
  offset INTEGER NOT NULL,
  PRIMARY KEY (meter, at)
) WITHOUT ROWID;

-- What other systems are told: codes and ids, nothing about a patient. What
-- was told once is not told again, and each channel remembers how far it is.
CREATE TABLE notifications (
  seq   INTEGER PRIMARY KEY,
  id    TEXT    NOT NULL,
  kind  TEXT    NOT NULL,
  site  TEXT    NOT NULL,
  hold  TEXT    NOT NULL,
  code  TEXT    NOT NULL,
  about TEXT    NOT NULL,              -- a result's or list's id, to tell one from another; told to nobody
  step  INTEGER NOT NULL,
  at    INTEGER NOT NULL,
  UNIQUE (kind, site, hold, code, about, step)
);

CREATE TABLE channels (
  channel TEXT    PRIMARY KEY,
  told    INTEGER NOT NULL             -- notifications.seq of the last one told
) WITHOUT ROWID;
