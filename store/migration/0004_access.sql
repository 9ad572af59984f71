-- People who sign in here. The password is a hash (Argon2id) or '' while none
-- is set; it is in no event.
CREATE TABLE users (
  name      TEXT    PRIMARY KEY,
  roles     TEXT    NOT NULL,          -- JSON lists
  sites     TEXT    NOT NULL,
  operators TEXT    NOT NULL,
  disabled  INTEGER NOT NULL,
  password  TEXT    NOT NULL,
  made      INTEGER NOT NULL
) WITHOUT ROWID;

-- Codes by which a person sets their password, once. At most one each; '' is
-- the first administrator's.
CREATE TABLE setup_codes (
  name    TEXT    PRIMARY KEY,
  key     TEXT    NOT NULL,            -- digest of the code
  expires INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE sessions (
  key   TEXT    PRIMARY KEY,           -- digest of the cookie
  name  TEXT    NOT NULL,
  actor TEXT    NOT NULL,              -- JSON; of a user, what stands in users counts
  how   TEXT    NOT NULL,
  bond  TEXT    NOT NULL,
  begun INTEGER NOT NULL,
  used  INTEGER NOT NULL
) WITHOUT ROWID;
CREATE INDEX sessions_name ON sessions (name);

CREATE TABLE access_tokens (
  id        TEXT    PRIMARY KEY,
  key       TEXT    NOT NULL UNIQUE,   -- digest of the token
  name      TEXT    NOT NULL,
  roles     TEXT    NOT NULL,
  sites     TEXT    NOT NULL,
  read_only INTEGER NOT NULL,
  made      INTEGER NOT NULL,
  made_by   TEXT    NOT NULL,
  expires   INTEGER NOT NULL,
  revoked   INTEGER NOT NULL           -- 0: not
) WITHOUT ROWID;

-- Tries to sign in that did not succeed, by digest of the account's name as it
-- was typed, and by digest of the address.
CREATE TABLE sign_in_tries (
  key  TEXT    PRIMARY KEY,
  n    INTEGER NOT NULL,
  last INTEGER NOT NULL
) WITHOUT ROWID;
