-- Which receptions were removed by the rule of what is kept (table setting, key 'retention')? Rows of before are gone or
-- are going; the gathered hours, lives, gaps, outages and findings stay. One row; 0: nothing was removed.
CREATE TABLE removal (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  -- begin of a day, UTC
  removed_to_us INTEGER NOT NULL,
  -- the rule in words, as it was then: "90 days", "2 GB"
  rule TEXT NOT NULL,
  -- how far the sweep has come; removed_to_us: rows of before are gone
  swept_to_us INTEGER NOT NULL
) STRICT;
INSERT INTO removal (id, removed_to_us, rule, swept_to_us) VALUES (1, 0, '', 0);

-- A removed hour is not due when its rows go: it stands as it was gathered. The triggers of 018 and 019 with this bound.
DROP TRIGGER frame_added;
DROP TRIGGER frame_removed;
DROP TRIGGER frame_changed;
DROP TRIGGER reception_added;
DROP TRIGGER reception_removed;
DROP TRIGGER reception_changed;
DROP TRIGGER datagram_added;
DROP TRIGGER datagram_removed;
DROP TRIGGER gateway_minute_added;
DROP TRIGGER gateway_minute_changed;
DROP TRIGGER gateway_minute_removed;
DROP TRIGGER channel_minute_added;
DROP TRIGGER channel_minute_changed;
DROP TRIGGER channel_minute_removed;

CREATE TRIGGER frame_added AFTER INSERT ON frame
WHEN NEW.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NEW.at_us >= (SELECT removed_to_us FROM removal WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour) VALUES (NEW.at_us / 3600000000);
END;
CREATE TRIGGER frame_removed AFTER DELETE ON frame
WHEN OLD.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND OLD.at_us >= (SELECT removed_to_us FROM removal WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour) VALUES (OLD.at_us / 3600000000);
END;
CREATE TRIGGER frame_changed AFTER UPDATE ON frame
WHEN min(OLD.at_us, NEW.at_us) < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour)
  SELECT at_us / 3600000000 FROM (SELECT OLD.at_us AS at_us UNION SELECT NEW.at_us)
  WHERE at_us >= (SELECT removed_to_us FROM removal WHERE id = 1);
END;
CREATE TRIGGER reception_added AFTER INSERT ON reception
WHEN NEW.at_us - 2000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour)
  SELECT at_us / 3600000000 FROM (SELECT NEW.at_us AS at_us UNION SELECT NEW.at_us - 2000000)
  WHERE at_us >= (SELECT removed_to_us FROM removal WHERE id = 1);
END;
CREATE TRIGGER reception_removed AFTER DELETE ON reception
WHEN OLD.at_us - 2000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND OLD.at_us >= (SELECT removed_to_us FROM removal WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour)
  SELECT at_us / 3600000000 FROM (SELECT OLD.at_us AS at_us UNION SELECT OLD.at_us - 2000000)
  WHERE at_us >= (SELECT removed_to_us FROM removal WHERE id = 1);
END;
CREATE TRIGGER reception_changed AFTER UPDATE ON reception
WHEN min(OLD.at_us, NEW.at_us) - 2000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour)
  SELECT at_us / 3600000000 FROM (SELECT OLD.at_us AS at_us UNION SELECT OLD.at_us - 2000000
    UNION SELECT NEW.at_us UNION SELECT NEW.at_us - 2000000)
  WHERE at_us >= (SELECT removed_to_us FROM removal WHERE id = 1);
END;
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
CREATE TRIGGER gateway_minute_added AFTER INSERT ON gateway_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NEW.minute * 60000000 >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER gateway_minute_changed AFTER UPDATE ON gateway_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NEW.minute * 60000000 >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER gateway_minute_removed AFTER DELETE ON gateway_minute
WHEN OLD.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND OLD.minute * 60000000 >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = OLD.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (OLD.minute / 60);
END;
CREATE TRIGGER channel_minute_added AFTER INSERT ON channel_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NEW.minute * 60000000 >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER channel_minute_changed AFTER UPDATE ON channel_minute
WHEN NEW.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND NEW.minute * 60000000 >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = NEW.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (NEW.minute / 60);
END;
CREATE TRIGGER channel_minute_removed AFTER DELETE ON channel_minute
WHEN OLD.minute * 60000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1)
  AND OLD.minute * 60000000 >= (SELECT removed_to_us FROM removal WHERE id = 1)
  AND NOT EXISTS (SELECT 1 FROM hour_due WHERE hour = OLD.minute / 60) BEGIN
  INSERT INTO hour_due (hour) VALUES (OLD.minute / 60);
END;
