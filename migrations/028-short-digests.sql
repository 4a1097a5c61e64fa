-- The digest of a datagram takes six octets instead of eight: its lowest 47 bits.
CREATE TABLE datagram_short (
  gateway_id INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  digest INTEGER NOT NULL,
  -- 0 push, 2 pull, 5 tx-ack; 16 more: a copy of one that had come; 255: refused
  kind INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, at_us, digest)
) STRICT, WITHOUT ROWID;
INSERT OR IGNORE INTO datagram_short (gateway_id, at_us, digest, kind)
  SELECT gateway_id, at_us, digest & 140737488355327, kind FROM datagram;
-- Its triggers go with it.
DROP TABLE datagram;
ALTER TABLE datagram_short RENAME TO datagram;

CREATE TRIGGER datagram_added AFTER INSERT ON datagram
WHEN NEW.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NEW.at_us >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.at_us / 3600000000) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.at_us / 3600000000);
END;
CREATE TRIGGER datagram_removed AFTER DELETE ON datagram
WHEN OLD.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND OLD.at_us >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = OLD.at_us / 3600000000) BEGIN
  INSERT INTO hour_due (hour) VALUES (OLD.at_us / 3600000000);
END;
