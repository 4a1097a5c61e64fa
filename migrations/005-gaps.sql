-- Dropouts and their findings, worked out as receptions come in. All of it is derived, and made anew by a rebuild.

-- A dropout of one node. Times as everywhere; a life is named by address and number, since row ids change when an
-- address is accounted anew.
CREATE TABLE gap (
  -- stays the same however often it is derived
  id TEXT PRIMARY KEY,
  dev_addr INTEGER NOT NULL,
  life INTEGER NOT NULL,
  -- run, episode, end, shared: what found it
  tag TEXT NOT NULL,
  -- counters, silence, steady
  kind TEXT NOT NULL,
  open INTEGER NOT NULL,
  from_us INTEGER NOT NULL,
  to_us INTEGER NOT NULL,
  missed INTEGER NOT NULL,
  first_missed INTEGER,
  last_missed INTEGER,
  -- counters heard between the first and the last missed
  heard INTEGER NOT NULL,
  expected REAL,
  rhythm_us REAL,
  -- what its finding may rest on lies within these
  context_from_us INTEGER NOT NULL,
  context_to_us INTEGER NOT NULL,
  -- newest moment known when the finding was made; null: it is due
  judged_to_us INTEGER,
  cause TEXT NOT NULL DEFAULT 'unexplained',
  confidence REAL NOT NULL DEFAULT 0,
  scope TEXT NOT NULL DEFAULT 'node',
  gateway_id INTEGER,
  -- when it ended although its life did not go on: the device came back under another address
  ended_us INTEGER,
  -- the finding in words (JSON); null until it is made
  finding TEXT
) STRICT;
CREATE INDEX gap_by_life ON gap (dev_addr, life, from_us);
CREATE INDEX gap_by_time ON gap (from_us);
CREATE INDEX gap_due_for_judgement ON gap (context_to_us) WHERE judged_to_us IS NULL OR judged_to_us < context_to_us;

-- A gateway sent nothing for longer than its keepalives allow. to_us null: it has not come back.
CREATE TABLE gateway_outage (
  gateway_id INTEGER NOT NULL,
  from_us INTEGER NOT NULL,
  to_us INTEGER,
  PRIMARY KEY (gateway_id, from_us)
) STRICT, WITHOUT ROWID;

-- Where the search for gaps stands in each life (JSON), so that a restart need not go through its whole past.
CREATE TABLE gap_watch (
  dev_addr INTEGER NOT NULL,
  life INTEGER NOT NULL,
  state TEXT NOT NULL,
  PRIMARY KEY (dev_addr, life)
) STRICT, WITHOUT ROWID;

-- Everything up to frontier_us has been gone through. One row.
CREATE TABLE gap_progress (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  frontier_us INTEGER NOT NULL
) STRICT;

-- What came in behind the frontier: addresses to go through anew (dev_addr), gateways whose silences are to be looked
-- at anew (gateway_id), between two moments.
CREATE TABLE gap_disorder (
  dev_addr INTEGER NOT NULL DEFAULT -1,
  gateway_id INTEGER NOT NULL DEFAULT -1,
  from_us INTEGER NOT NULL,
  to_us INTEGER NOT NULL,
  PRIMARY KEY (dev_addr, gateway_id)
) STRICT, WITHOUT ROWID;
