-- Frames of a life are found by its address: one index in place of two.
DROP INDEX frame_by_life;
DROP INDEX frame_by_address;
CREATE INDEX frame_by_address ON frame (dev_addr, at_us, life_id) WHERE dev_addr IS NOT NULL;
