-- Minutes of the channels of a gateway in a gathered hour, in one row (src/store/hours/channel-minutes.ts). They lie here or
-- in channel_minute, never in both; before one of them changes they go back there. Minutes from before go behind the traffic.
CREATE TABLE channel_minute_packed (
  gateway_id INTEGER NOT NULL,
  hour INTEGER NOT NULL,
  columns BLOB NOT NULL,
  PRIMARY KEY (gateway_id, hour)
) STRICT;
