-- Losses that chance may have made are followed as well: others' losses meanwhile can tell that it did not.
-- What a dropout lacks to be beyond chance (natural logarithm of the odds); 0: nothing.
ALTER TABLE gap ADD COLUMN lacking REAL NOT NULL DEFAULT 0;
-- 0: as far as is known it is chance, and no dropout.
ALTER TABLE gap ADD COLUMN shown INTEGER NOT NULL DEFAULT 1;
CREATE INDEX gap_shown_by_time ON gap (from_us) WHERE shown = 1;

-- All of it is derived: it is gone through anew.
DELETE FROM gap;
DELETE FROM gap_watch;
DELETE FROM gateway_outage;
DELETE FROM gap_progress;
