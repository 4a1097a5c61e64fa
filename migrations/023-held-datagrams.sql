-- Datagrams that are stored as they came and not in rows yet (src/store/held-log.ts). Each block is one page of the file,
-- written over and over. Empty while no service runs; after a kill the next start makes rows of what is here.
CREATE TABLE held_block (
  block INTEGER PRIMARY KEY,
  -- of the log that the octets belong to; an older number: nothing in it counts
  generation INTEGER NOT NULL,
  octets BLOB NOT NULL
) STRICT;

-- The log that counts, and how many datagrams from its front are rows already. One row.
CREATE TABLE held_place (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  generation INTEGER NOT NULL,
  done INTEGER NOT NULL
) STRICT;
INSERT INTO held_place (id, generation, done) VALUES (1, 1, 0);
