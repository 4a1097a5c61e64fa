-- What whole hours hold, gathered behind the traffic from the rows that they sum up, so that a window of weeks need not
-- read each of those. All of it is derived. A closed hour is a row of the tables below, or has nothing in it; an hour that
-- is due was changed since, and is read from its rows until it is gathered again. Hours count from 1970.

-- Hours that end here or before are closed. One row.
CREATE TABLE hour_progress (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  closed_to_us INTEGER NOT NULL
) STRICT;
INSERT INTO hour_progress (id, closed_to_us) VALUES (1, 0);

CREATE TABLE hour_due (hour INTEGER PRIMARY KEY) STRICT;

-- The frames of counter lives that began in the hour, each with its best reception, column by column
-- (src/store/hours/frame-columns.ts).
CREATE TABLE frame_hour (
  hour INTEGER PRIMARY KEY,
  columns BLOB NOT NULL
) STRICT;

-- Whoever changes a row of a closed hour makes the hour due. A reception belongs to a frame up to 2 s older.
CREATE TRIGGER frame_added AFTER INSERT ON frame
WHEN NEW.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour) VALUES (NEW.at_us / 3600000000);
END;
CREATE TRIGGER frame_removed AFTER DELETE ON frame
WHEN OLD.at_us < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour) VALUES (OLD.at_us / 3600000000);
END;
CREATE TRIGGER frame_changed AFTER UPDATE ON frame
WHEN min(OLD.at_us, NEW.at_us) < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour) VALUES (OLD.at_us / 3600000000), (NEW.at_us / 3600000000);
END;
CREATE TRIGGER reception_added AFTER INSERT ON reception
WHEN NEW.at_us - 2000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour) VALUES (NEW.at_us / 3600000000), ((NEW.at_us - 2000000) / 3600000000);
END;
CREATE TRIGGER reception_removed AFTER DELETE ON reception
WHEN OLD.at_us - 2000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour) VALUES (OLD.at_us / 3600000000), ((OLD.at_us - 2000000) / 3600000000);
END;
CREATE TRIGGER reception_changed AFTER UPDATE ON reception
WHEN min(OLD.at_us, NEW.at_us) - 2000000 < (SELECT closed_to_us FROM hour_progress WHERE id = 1) BEGIN
  INSERT OR IGNORE INTO hour_due (hour)
  VALUES (OLD.at_us / 3600000000), ((OLD.at_us - 2000000) / 3600000000),
         (NEW.at_us / 3600000000), ((NEW.at_us - 2000000) / 3600000000);
END;
