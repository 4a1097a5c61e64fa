-- What a person asked to forget and is not wholly gone yet: kind gateway (id is the EUI) or node (device address).
CREATE TABLE forgetting (
  kind TEXT NOT NULL,
  id TEXT NOT NULL,
  PRIMARY KEY (kind, id)
) STRICT, WITHOUT ROWID;

-- Addresses whose frames went with a gateway: to be accounted anew when it is wholly gone.
CREATE TABLE forgetting_address (
  dev_addr INTEGER PRIMARY KEY
) STRICT;

-- Two sources asked for downlinks in this gateway's name at the same time: the other one, "address port", and when.
ALTER TABLE gateway ADD COLUMN rival_source TEXT;
ALTER TABLE gateway ADD COLUMN rival_at_us INTEGER;
