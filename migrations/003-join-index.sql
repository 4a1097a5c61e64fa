-- Every first hearing of an address asks whether a join came shortly before. Joins are few: without an index of
-- their own, a stranger who invents addresses makes each of them cost a walk over all frames of those minutes.
CREATE INDEX frame_join ON frame (at_us) WHERE message_type = 0;
