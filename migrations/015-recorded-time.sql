-- When did Mastlog record? A row for each time range in which the service listened, or that a capture covers.
-- Nothing is derived from time outside these ranges.
CREATE TABLE recorded_range (
  id INTEGER PRIMARY KEY,
  -- service: sockets or relay; capture: a file
  source TEXT NOT NULL,
  capture_id INTEGER,
  from_us INTEGER NOT NULL,
  -- of a service that runs: its newest heartbeat or datagram
  to_us INTEGER NOT NULL,
  datagrams INTEGER NOT NULL DEFAULT 0,
  -- service: start, sleep, clock-step (the clock was set), datagrams (no heartbeat); capture: datagrams;
  -- derived: worked out for a store of an earlier version
  begun_by TEXT NOT NULL
) STRICT;
CREATE INDEX recorded_range_by_time ON recorded_range (from_us);

-- The gateways that were heard in a range.
CREATE TABLE recorded_gateway (
  range_id INTEGER NOT NULL,
  gateway_id INTEGER NOT NULL,
  PRIMARY KEY (range_id, gateway_id)
) STRICT, WITHOUT ROWID;


-- Stores from before: ranges from what is there. Minutes with a datagram, joined over pauses of up to 5 minutes; within
-- a capture over pauses of up to 30 days, since a capture goes on while nobody sends.
CREATE TEMP TABLE minute_heard AS
  SELECT m.gateway_id, m.minute,
    (SELECT max(c.id) FROM capture c
     WHERE c.from_us IS NOT NULL AND m.minute BETWEEN c.from_us / 60000000 AND c.to_us / 60000000
       AND EXISTS (SELECT 1 FROM datagram d WHERE d.gateway_id = m.gateway_id
         AND d.at_us BETWEEN max(c.from_us, m.minute * 60000000) AND min(c.to_us, m.minute * 60000000 + 59999999)))
      AS capture_id
  FROM gateway_minute m WHERE m.datagrams > 0;
CREATE TEMP TABLE minute_range AS
  SELECT minute, capture_id, sum(begins) OVER (ORDER BY capture_id, minute) AS number
  FROM (SELECT minute, capture_id,
          minute - lag(minute, 1, -1000000000) OVER (PARTITION BY capture_id ORDER BY minute)
            > CASE WHEN capture_id IS NULL THEN 5 ELSE 43200 END AS begins
        FROM (SELECT DISTINCT minute, capture_id FROM minute_heard));
CREATE INDEX temp.minute_range_by_minute ON minute_range (minute);
INSERT INTO recorded_range (id, source, capture_id, from_us, to_us, datagrams, begun_by)
  SELECT number, source, capture_id, from_us, to_us,
    (SELECT count(*) FROM gateway g JOIN datagram d ON d.gateway_id = g.id WHERE d.at_us BETWEEN from_us AND to_us),
    'derived'
  FROM (SELECT r.number, CASE WHEN r.capture_id IS NULL THEN 'service' ELSE 'capture' END AS source, r.capture_id,
          (SELECT min(d.at_us) FROM gateway g JOIN datagram d ON d.gateway_id = g.id
           WHERE d.at_us >= min(r.minute) * 60000000 AND d.at_us < min(r.minute) * 60000000 + 60000000) AS from_us,
          (SELECT max(d.at_us) FROM gateway g JOIN datagram d ON d.gateway_id = g.id
           WHERE d.at_us >= max(r.minute) * 60000000 AND d.at_us < max(r.minute) * 60000000 + 60000000) AS to_us
        FROM minute_range r GROUP BY r.number)
  WHERE from_us IS NOT NULL AND to_us IS NOT NULL;
INSERT INTO recorded_gateway (range_id, gateway_id)
  SELECT DISTINCT r.number, h.gateway_id FROM minute_heard h
  JOIN minute_range r ON r.minute = h.minute AND r.capture_id IS h.capture_id;
DROP TABLE minute_heard;
DROP TABLE minute_range;

-- All of it is derived, and rests on recorded time from now on: it is gone through again.
DELETE FROM gap;
DELETE FROM gap_watch;
DELETE FROM gateway_outage;
DELETE FROM gap_progress;
DELETE FROM gap_disorder;
