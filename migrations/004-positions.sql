-- Where gateways and nodes stand, as a person said: in degrees, or in metres on the plan, or both (which ties the plan
-- to the globe). kind: gateway (id is the EUI) or node (id is the device address, 8 hex digits).
CREATE TABLE position (
  kind TEXT NOT NULL,
  id TEXT NOT NULL,
  latitude_deg REAL,
  longitude_deg REAL,
  east_m REAL,
  north_m REAL,
  -- antenna above ground
  height_m REAL,
  -- nodes: power sent, antenna included; gateways: gain of the antenna, feeder taken off
  eirp_dbm REAL,
  antenna_gain_dbi REAL,
  PRIMARY KEY (kind, id)
) STRICT, WITHOUT ROWID;
