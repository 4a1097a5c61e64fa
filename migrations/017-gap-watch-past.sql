-- Where the search for gaps stood in a life at earlier moments (JSON), kept while no loss was under way: a question about
-- a past window goes through the life from there, not from its beginning. Derived; without it only more is read.
CREATE TABLE gap_watch_past (
  dev_addr INTEGER NOT NULL,
  life INTEGER NOT NULL,
  -- newest frame and highest counter gone through
  at_us INTEGER NOT NULL,
  counter INTEGER NOT NULL,
  state TEXT NOT NULL,
  PRIMARY KEY (dev_addr, life, at_us)
) STRICT, WITHOUT ROWID;
