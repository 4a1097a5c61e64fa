-- Both directions seen: what servers handed out, what came of it, and how long answers took.

-- The rest of what a PULL_RESP said. Rows of before know none of it.
ALTER TABLE downlink ADD COLUMN coding_rate INTEGER;
ALTER TABLE downlink ADD COLUMN power_tenths INTEGER;
-- counter, immediate, gps, unsaid
ALTER TABLE downlink ADD COLUMN moment TEXT;
ALTER TABLE downlink ADD COLUMN airtime_us INTEGER NOT NULL DEFAULT 0;
-- where it went, "address port"
ALTER TABLE downlink ADD COLUMN target TEXT;
-- MType, and of data frames address, FCtrl octet and counter on the air
ALTER TABLE downlink ADD COLUMN message_type INTEGER;
ALTER TABLE downlink ADD COLUMN dev_addr INTEGER;
ALTER TABLE downlink ADD COLUMN frame_control INTEGER;
ALTER TABLE downlink ADD COLUMN fcnt INTEGER;
-- The uplink that it answers, by the gateway's counter, and how long after it the gateway is to send. null: none was found
ALTER TABLE downlink ADD COLUMN uplink_tmst_us INTEGER;
ALTER TABLE downlink ADD COLUMN delay_us INTEGER;
-- rx1, rx2, join-rx1, join-rx2, rx (one of the two), immediate, gps, none (timed, but no uplink found); null: not looked for
ALTER TABLE downlink ADD COLUMN receive_window TEXT;
-- From its passing to the moment of sending, by the capturing clock; null when that moment is not known
ALTER TABLE downlink ADD COLUMN lead_us INTEGER;
-- The TX_ACK: accepted, accepted-lower-power, refused, unreadable, with its word; null: none was seen
ALTER TABLE downlink ADD COLUMN outcome TEXT;
ALTER TABLE downlink ADD COLUMN outcome_word TEXT;
ALTER TABLE downlink ADD COLUMN outcome_at_us INTEGER;
-- the power really used, where the gateway said so
ALTER TABLE downlink ADD COLUMN sent_power_tenths INTEGER;

CREATE INDEX downlink_by_gateway ON downlink (gateway_id, at_us);
CREATE INDEX downlink_by_address ON downlink (dev_addr, at_us) WHERE dev_addr IS NOT NULL;

-- From a gateway's datagram to its acknowledgement, as this place in the path saw it: how many fell into which class of
-- duration (src/ledger/round-trip-classes.ts). kind: 0 PUSH_DATA, 2 PULL_DATA. class -1: asked while relaying; -2: asked
-- as a capture shows it, which need not show the answers at all.
CREATE TABLE round_trip_minute (
  gateway_id INTEGER NOT NULL,
  minute INTEGER NOT NULL,
  kind INTEGER NOT NULL,
  class INTEGER NOT NULL,
  count INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, minute, kind, class)
) STRICT, WITHOUT ROWID;
