-- What each gateway and each channel of it did in whole hours, beside the frames of 018. An hour is closed or due for all
-- of these tables at once.

CREATE TABLE gateway_hour (
  gateway_id INTEGER NOT NULL,
  hour INTEGER NOT NULL,
  -- sums of gateway_minute
  datagrams INTEGER NOT NULL,
  keepalives INTEGER NOT NULL,
  status_reports INTEGER NOT NULL,
  packets INTEGER NOT NULL,
  packets_bad INTEGER NOT NULL,
  -- rows of reception, of every antenna, ghosts as well
  receptions INTEGER NOT NULL,
  crc_bad INTEGER NOT NULL,
  crc_none INTEGER NOT NULL,
  -- first and last datagram of any kind, and the longest time between two; null: none came
  first_us INTEGER,
  last_us INTEGER,
  longest_us INTEGER,
  -- a bit for each minute with a packet: minutes 0 to 29, and 30 to 59
  early_minutes INTEGER NOT NULL,
  late_minutes INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, hour)
) STRICT, WITHOUT ROWID;

-- Channels and data rates of packets, and readings of the counter (src/store/hours/packet-columns.ts).
CREATE TABLE packet_hour (
  gateway_id INTEGER NOT NULL,
  hour INTEGER NOT NULL,
  columns BLOB NOT NULL,
  PRIMARY KEY (gateway_id, hour)
) STRICT;

-- Sums of channel_minute.
CREATE TABLE channel_hour (
  gateway_id INTEGER NOT NULL,
  hour INTEGER NOT NULL,
  frequency_hz INTEGER NOT NULL,
  receptions INTEGER NOT NULL,
  crc_bad INTEGER NOT NULL,
  airtime_us INTEGER NOT NULL,
  busy_us INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, hour, frequency_hz)
) STRICT, WITHOUT ROWID;

-- Asked first, since the rows come by ON CONFLICT DO UPDATE, whose policy would hold for OR IGNORE here as well.
CREATE TRIGGER datagram_added AFTER INSERT ON datagram
WHEN NEW.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.at_us / 3600000000) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.at_us / 3600000000);
END;
CREATE TRIGGER datagram_removed AFTER DELETE ON datagram
WHEN OLD.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = OLD.at_us / 3600000000) BEGIN
  INSERT INTO hour_due (hour) VALUES (OLD.at_us / 3600000000);
END;
CREATE TRIGGER gateway_minute_added AFTER INSERT ON gateway_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER gateway_minute_changed AFTER UPDATE ON gateway_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER gateway_minute_removed AFTER DELETE ON gateway_minute
WHEN OLD.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = OLD.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (OLD.minute / 60);
END;
CREATE TRIGGER channel_minute_added AFTER INSERT ON channel_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER channel_minute_changed AFTER UPDATE ON channel_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER channel_minute_removed AFTER DELETE ON channel_minute
WHEN OLD.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = OLD.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (OLD.minute / 60);
END;

-- All hours are gathered anew, with these.
UPDATE hour_progress SET closed_to_us = 0;
DELETE FROM hour_due;
DELETE FROM frame_hour;
