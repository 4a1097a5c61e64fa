-- What a person said: from this moment on, this gateway (antenna null) or one antenna of it stands here. A placement
-- ends where the next of the same gateway and antenna begins, so no end is stored. Levels are tenths.
CREATE TABLE placement (
  id INTEGER PRIMARY KEY,
  -- the EUI, not a row: a gateway may be placed before it is first heard
  gateway_eui TEXT NOT NULL,
  antenna INTEGER,
  name TEXT NOT NULL,
  from_us INTEGER NOT NULL,
  height_m REAL,
  gain_tenths INTEGER,
  loss_tenths INTEGER,
  direction TEXT,
  note TEXT
) STRICT;
-- coalesce: null differs from null in an index, and two placements must not begin at one moment
CREATE UNIQUE INDEX placement_by_begin ON placement (gateway_eui, coalesce(antenna, -1), from_us);
CREATE INDEX placement_by_name ON placement (name COLLATE NOCASE);
