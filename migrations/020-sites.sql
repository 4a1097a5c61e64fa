-- Which site does a gateway belong to? A name that a person gives; null: none.
ALTER TABLE label ADD COLUMN site TEXT;

-- Which addresses did a gateway ever hear? So that the nodes of a site are found without a look at their frames.
-- Written by triggers: whoever assigns a reception to a frame, this follows.
CREATE TABLE gateway_address (
  gateway_id INTEGER NOT NULL,
  dev_addr INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, dev_addr)
) STRICT, WITHOUT ROWID;

INSERT INTO gateway_address (gateway_id, dev_addr)
  SELECT DISTINCT r.gateway_id, f.dev_addr FROM reception r JOIN frame f ON f.id = r.frame_id
  WHERE f.dev_addr IS NOT NULL;

CREATE TRIGGER reception_assigned AFTER UPDATE OF frame_id ON reception WHEN NEW.frame_id IS NOT NULL BEGIN
  INSERT OR IGNORE INTO gateway_address (gateway_id, dev_addr)
  SELECT NEW.gateway_id, dev_addr FROM frame WHERE id = NEW.frame_id AND dev_addr IS NOT NULL;
END;
