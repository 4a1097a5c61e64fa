-- The state of an address's counters is packed (zlib); one that was written as text before begins with a brace.
CREATE TABLE address_state_packed (
  dev_addr INTEGER NOT NULL,
  last_at_us INTEGER NOT NULL,
  last_content INTEGER NOT NULL,
  -- frames accounted up to there
  frames INTEGER NOT NULL,
  state BLOB NOT NULL,
  PRIMARY KEY (dev_addr, last_at_us)
) STRICT;
INSERT INTO address_state_packed (dev_addr, last_at_us, last_content, frames, state)
  SELECT dev_addr, last_at_us, last_content, frames, CAST(state AS BLOB) FROM address_state;
DROP TABLE address_state;
ALTER TABLE address_state_packed RENAME TO address_state;
