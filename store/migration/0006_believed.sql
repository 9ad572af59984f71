-- What was believed of one row, and since when.
CREATE INDEX registry_history_row ON registry_history (kind, key, event);
