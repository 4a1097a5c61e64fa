-- What is derived must not depend on the order of arrival: the raw facts that it is derived from are kept.

-- Arrival minus at_us, microseconds. Older rows know no more than at_us.
ALTER TABLE reception ADD COLUMN late_us INTEGER NOT NULL DEFAULT 0;
-- 1: the forwarder marked the packet as held back, so its counter says nothing of the time of arrival.
ALTER TABLE reception ADD COLUMN delayed INTEGER NOT NULL DEFAULT 0;

-- A gateway's receptions by time. The counter wraps every 71.6 minutes: an index by counter was written at random.
CREATE INDEX reception_by_gateway ON reception (gateway_id, at_us);
DROP INDEX reception_by_counter;

-- The power really used, where the gateway said so.
ALTER TABLE transmit_outcome ADD COLUMN power_tenths INTEGER;

-- When the newest of each was said: an older report that comes later must not replace a newer one.
ALTER TABLE gateway ADD COLUMN push_at_us INTEGER NOT NULL DEFAULT -9007199254740991;
ALTER TABLE gateway ADD COLUMN pull_at_us INTEGER NOT NULL DEFAULT -9007199254740991;
ALTER TABLE gateway ADD COLUMN position_at_us INTEGER NOT NULL DEFAULT -9007199254740991;
ALTER TABLE gateway ADD COLUMN altitude_at_us INTEGER NOT NULL DEFAULT -9007199254740991;
ALTER TABLE gateway ADD COLUMN platform_at_us INTEGER NOT NULL DEFAULT -9007199254740991;
ALTER TABLE gateway ADD COLUMN description_at_us INTEGER NOT NULL DEFAULT -9007199254740991;

-- Nothing read it.
DROP TABLE node_minute;

-- Where the accounting of an address stood at several moments, so that a frame that comes late costs what lies behind
-- it, not the whole past. Everything up to (last_at_us, last_content) is in state (JSON).
ALTER TABLE address_state RENAME TO address_state_before;
CREATE TABLE address_state (
  dev_addr INTEGER NOT NULL,
  last_at_us INTEGER NOT NULL,
  last_content INTEGER NOT NULL,
  -- frames accounted up to there
  frames INTEGER NOT NULL,
  state TEXT NOT NULL,
  PRIMARY KEY (dev_addr, last_at_us)
) STRICT;
INSERT INTO address_state
SELECT dev_addr, last_at_us, json_extract(state, '$.lastContent'), 0, state FROM address_state_before;
DROP TABLE address_state_before;

-- Frames of the address from this moment on are to be accounted again. Rows of before: all of them.
ALTER TABLE account_due ADD COLUMN from_us INTEGER NOT NULL DEFAULT -9007199254740991;
