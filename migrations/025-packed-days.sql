-- Hours whose receptions were removed lie in one row a day, compressed (src/store/hours/frame-days.ts, packet-days.ts).
CREATE TABLE frame_day (
  -- days count from 1970
  day INTEGER PRIMARY KEY,
  columns BLOB NOT NULL
) STRICT;

CREATE TABLE packet_day (
  gateway_id INTEGER NOT NULL,
  day INTEGER NOT NULL,
  columns BLOB NOT NULL,
  PRIMARY KEY (gateway_id, day)
) STRICT;

-- Hours that were packed one by one before are gone through again, behind the traffic.
UPDATE removal SET swept_to_us = 0;
