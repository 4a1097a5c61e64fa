-- Keys of one's own nodes, and what they proved. Key material stands in node_key and nowhere else; the file is its
-- owner's only (src/store/open.ts).

-- One set of keys: of a session (dev_addr), of a device (dev_eui), or both. Keys are 16 octets each.
CREATE TABLE node_key (
  id INTEGER PRIMARY KEY,
  dev_addr INTEGER,
  dev_eui TEXT,
  -- width of the counter in the MIC, 16 or 32; null: not said, both are tried
  counter_bits INTEGER,
  note TEXT,
  -- person: handed in; join: derived from a join that was followed
  origin TEXT NOT NULL,
  -- when the join-accept of a followed join was handed to a gateway
  joined_at_us INTEGER,
  nwk_s_key BLOB,
  app_s_key BLOB,
  f_nwk_s_int_key BLOB,
  s_nwk_s_int_key BLOB,
  nwk_s_enc_key BLOB,
  app_key BLOB,
  nwk_key BLOB,
  js_int_key BLOB,
  js_enc_key BLOB,
  CHECK (dev_addr IS NOT NULL OR dev_eui IS NOT NULL)
) STRICT;
CREATE INDEX node_key_by_address ON node_key (dev_addr) WHERE dev_addr IS NOT NULL;
CREATE INDEX node_key_by_device ON node_key (dev_eui) WHERE dev_eui IS NOT NULL;

-- What the MIC said: 1 valid, 0 fits no key at hand, null: no key at hand could say.
ALTER TABLE frame ADD COLUMN mic_verdict INTEGER;
-- Whose it proved to be (node_key.id); null unless valid.
ALTER TABLE frame ADD COLUMN key_id INTEGER;
-- 1: a proved frame sent again at a time when its node did not send it any more (repeat is 1 too)
ALTER TABLE frame ADD COLUMN replay INTEGER NOT NULL DEFAULT 0;
-- Was this very frame proved before? Asked for each proved frame, to know a replay.
CREATE INDEX frame_by_proof ON frame (key_id, content, at_us) WHERE key_id IS NOT NULL;

-- The device that lived this life, as far as it is known, and by what: mic (its keys proved its frames), join-time (a
-- join-request of this DevEUI was heard shortly before the counter began anew). Lives of one device in order of time:
-- the same dev_eui, or the same key_id.
ALTER TABLE life ADD COLUMN dev_eui TEXT;
ALTER TABLE life ADD COLUMN key_id INTEGER;
ALTER TABLE life ADD COLUMN proof TEXT;
CREATE INDEX life_by_device ON life (dev_eui, first_at_us) WHERE dev_eui IS NOT NULL;

-- What servers handed to gateways for sending. Only captures show it.
CREATE TABLE downlink (
  id INTEGER PRIMARY KEY,
  -- 0: no gateway had called from that address before
  gateway_id INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  token INTEGER NOT NULL,
  -- the concentrator counter at which to send; null: at once, or by GPS time
  tmst_us INTEGER,
  frequency_hz INTEGER,
  -- see src/store/data-rate-code.ts
  data_rate INTEGER,
  payload BLOB NOT NULL,
  digest INTEGER NOT NULL,
  UNIQUE (at_us, token, digest)
) STRICT;
CREATE INDEX downlink_by_time ON downlink (at_us);
