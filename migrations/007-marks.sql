-- Notes that a person pins to a moment: "cut the hedge", "moved the gateway". They are a person's word, not derived:
-- rebuilding leaves them. Numbers are never given twice, since a trial or a link may name one.
CREATE TABLE mark (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  at_us INTEGER NOT NULL,
  -- end of what lasted (rain, a stop of a walk test); null: a moment
  until_us INTEGER,
  -- note, or stop: a place of a walk test
  kind TEXT NOT NULL,
  text TEXT NOT NULL,
  -- what it is about: a gateway, a node, or the site when both are null
  gateway_eui TEXT,
  dev_addr TEXT,
  -- where: degrees of WGS 84, or metres east and north of a point of the person's own choice
  latitude REAL, longitude REAL,
  east_metres REAL, north_metres REAL,
  CHECK (until_us IS NULL OR until_us >= at_us),
  CHECK (gateway_eui IS NULL OR dev_addr IS NULL)
) STRICT;
CREATE INDEX mark_by_time ON mark (at_us);
