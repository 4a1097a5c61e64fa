-- The first schema. Times are integer microseconds since 1970 (UTC); levels are tenths of a dB or dBm as
-- integers; device addresses are unsigned 32-bit integers; minutes count from 1970.

CREATE TABLE gateway (
  id INTEGER PRIMARY KEY,
  eui TEXT NOT NULL UNIQUE,
  first_at_us INTEGER NOT NULL,
  last_at_us INTEGER NOT NULL,
  -- bit 0: spoke protocol version 1; bit 1: version 2
  versions INTEGER NOT NULL DEFAULT 0,
  -- newest source of PUSH_DATA and PULL_DATA, "address port"
  push_source TEXT,
  pull_source TEXT,
  latitude REAL, longitude REAL, altitude_m REAL,
  platform TEXT, description TEXT
) STRICT;

-- One row a datagram that was accepted: the heartbeat, and what makes reading a capture twice harmless.
-- gateway_id 0: refused datagrams of a capture, kept only to recognise them. kind: 0 push, 2 pull, 5 tx-ack.
CREATE TABLE datagram (
  gateway_id INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  digest INTEGER NOT NULL,
  kind INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, at_us, digest)
) STRICT, WITHOUT ROWID;

CREATE TABLE status_report (
  gateway_id INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  -- the gateway's own clock in the report minus at_us
  clock_offset_us INTEGER,
  rx_received INTEGER, rx_crc_ok INTEGER, rx_forwarded INTEGER,
  ack_tenths_percent INTEGER,
  downlink_datagrams INTEGER, tx_emitted INTEGER,
  temperature_tenths_c INTEGER,
  PRIMARY KEY (gateway_id, at_us)
) STRICT, WITHOUT ROWID;

CREATE TABLE transmit_outcome (
  gateway_id INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  token INTEGER NOT NULL,
  result TEXT NOT NULL,
  word TEXT,
  PRIMARY KEY (gateway_id, at_us, token)
) STRICT, WITHOUT ROWID;

-- The concentrator counter began anew (restart of the gateway's program or power).
CREATE TABLE gateway_restart (
  gateway_id INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, at_us)
) STRICT, WITHOUT ROWID;

CREATE TABLE reception (
  id INTEGER PRIMARY KEY,
  gateway_id INTEGER NOT NULL,
  -- end of the packet on the capturing clock: arrival, dated back where the counter shows that the path was late
  at_us INTEGER NOT NULL,
  -- the concentrator counter; a negative stand-in made from the payload where the forwarder gave none
  tmst_key INTEGER NOT NULL,
  -- the transmission that this is a hearing of; null when it is none of LoRaWAN's or its CRC failed
  frame_id INTEGER,
  -- 0 ok, 1 bad, 2 none, 3 unknown
  crc INTEGER NOT NULL,
  -- 1: a weaker copy of a strong packet on another channel, set aside
  ghost INTEGER NOT NULL DEFAULT 0,
  frequency_hz INTEGER,
  -- see src/store/data-rate-code.ts
  data_rate INTEGER NOT NULL,
  coding_rate INTEGER NOT NULL,
  antenna INTEGER NOT NULL,
  if_channel INTEGER,
  rf_chain INTEGER,
  rssi_tenths INTEGER,
  signal_rssi_tenths INTEGER,
  snr_tenths INTEGER,
  frequency_offset_hz INTEGER,
  gateway_offset_us INTEGER,
  -- 0 on ghosts and on the rows of further antennas, so that a sum counts a packet once
  airtime_us INTEGER NOT NULL,
  payload BLOB
) STRICT;
CREATE INDEX reception_by_time ON reception (at_us);
CREATE INDEX reception_by_counter ON reception (gateway_id, tmst_key);
CREATE INDEX reception_by_frame ON reception (frame_id) WHERE frame_id IS NOT NULL;

-- One device address in one counter life. number counts the lives of an address in order of time.
CREATE TABLE life (
  id INTEGER PRIMARY KEY,
  dev_addr INTEGER NOT NULL,
  number INTEGER NOT NULL,
  -- first-heard, counter-reset, join, second-device, unexplained
  begun_by TEXT NOT NULL,
  reason TEXT NOT NULL,
  first_at_us INTEGER NOT NULL,
  last_at_us INTEGER NOT NULL,
  first_counter INTEGER NOT NULL,
  last_counter INTEGER NOT NULL,
  -- distinct counters heard over the whole life
  heard INTEGER NOT NULL,
  UNIQUE (dev_addr, number)
) STRICT;

-- One transmission by a node, however many gateways heard it.
CREATE TABLE frame (
  id INTEGER PRIMARY KEY,
  -- null: join and rejoin requests, proprietary frames, downlinks overheard
  life_id INTEGER,
  dev_addr INTEGER,
  -- DevEUI of join and rejoin requests
  dev_eui TEXT,
  -- earliest reception
  at_us INTEGER NOT NULL,
  -- MType, 0 to 7
  message_type INTEGER NOT NULL,
  -- the counter on air, 16 bits, and as reconstructed, 32 bits
  fcnt INTEGER,
  counter INTEGER,
  -- 0: first hearing of its counter; 1: the same counter and content again
  repeat INTEGER NOT NULL DEFAULT 0,
  frequency_hz INTEGER,
  data_rate INTEGER NOT NULL,
  airtime_us INTEGER NOT NULL,
  -- 48 bits of a hash over what makes two transmissions the same frame content
  content INTEGER NOT NULL,
  -- the FCtrl octet of data frames, FPort, and octets of FOpts
  frame_control INTEGER,
  port INTEGER
) STRICT;
CREATE INDEX frame_by_life ON frame (life_id, at_us) WHERE life_id IS NOT NULL;
CREATE INDEX frame_by_address ON frame (dev_addr, at_us) WHERE dev_addr IS NOT NULL;
CREATE INDEX frame_by_time ON frame (at_us);

-- Roll-ups, written in the transaction of the receptions that they sum up.
CREATE TABLE gateway_minute (
  gateway_id INTEGER NOT NULL,
  minute INTEGER NOT NULL,
  datagrams INTEGER NOT NULL DEFAULT 0,
  keepalives INTEGER NOT NULL DEFAULT 0,
  status_reports INTEGER NOT NULL DEFAULT 0,
  crc_ok INTEGER NOT NULL DEFAULT 0,
  crc_bad INTEGER NOT NULL DEFAULT 0,
  crc_none INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (gateway_id, minute)
) STRICT, WITHOUT ROWID;

CREATE TABLE channel_minute (
  gateway_id INTEGER NOT NULL,
  frequency_hz INTEGER NOT NULL,
  minute INTEGER NOT NULL,
  receptions INTEGER NOT NULL DEFAULT 0,
  crc_bad INTEGER NOT NULL DEFAULT 0,
  -- sum of airtime and measure of its union, each clipped to the minute
  airtime_us INTEGER NOT NULL DEFAULT 0,
  busy_us INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (gateway_id, frequency_hz, minute)
) STRICT, WITHOUT ROWID;

CREATE TABLE node_minute (
  life_id INTEGER NOT NULL,
  minute INTEGER NOT NULL,
  frames INTEGER NOT NULL DEFAULT 0,
  repeats INTEGER NOT NULL DEFAULT 0,
  receptions INTEGER NOT NULL DEFAULT 0,
  airtime_us INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (life_id, minute)
) STRICT, WITHOUT ROWID;

-- What was refused or odd, counted by reason; gateway_id 0 where no gateway can be named.
CREATE TABLE refusal (
  gateway_id INTEGER NOT NULL,
  reason TEXT NOT NULL,
  -- 1: the datagram or packet was not used; 0: odd, but used
  refused INTEGER NOT NULL,
  count INTEGER NOT NULL,
  first_at_us INTEGER NOT NULL,
  last_at_us INTEGER NOT NULL,
  PRIMARY KEY (gateway_id, reason)
) STRICT, WITHOUT ROWID;

-- The newest few datagrams of each reason, raw.
CREATE TABLE refusal_sample (
  id INTEGER PRIMARY KEY,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  source TEXT NOT NULL,
  sentence TEXT NOT NULL,
  size INTEGER NOT NULL,
  bytes BLOB NOT NULL
) STRICT;
CREATE INDEX refusal_sample_by_reason ON refusal_sample (reason, id);

-- A person's names. kind: gateway (id is the EUI) or node (id is the device address, 8 hex digits).
-- own: 1 one's own, 0 a stranger, null: not said.
CREATE TABLE label (
  kind TEXT NOT NULL,
  id TEXT NOT NULL,
  name TEXT,
  own INTEGER,
  PRIMARY KEY (kind, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE setting (
  key TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Captures that were read. digest: SHA-256 of the decompressed content.
CREATE TABLE capture (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL,
  digest TEXT NOT NULL,
  size INTEGER NOT NULL,
  -- reading, done, failed
  state TEXT NOT NULL,
  started_at_us INTEGER NOT NULL,
  finished_at_us INTEGER,
  from_us INTEGER,
  to_us INTEGER,
  datagrams INTEGER NOT NULL DEFAULT 0,
  receptions INTEGER NOT NULL DEFAULT 0,
  known_already INTEGER NOT NULL DEFAULT 0,
  refused INTEGER NOT NULL DEFAULT 0,
  trouble TEXT
) STRICT;
CREATE INDEX capture_by_digest ON capture (digest);

-- Where the accounting of an address stands, so that a restart need not read its whole past again.
-- Everything up to last_at_us is in state (JSON); frames after it are accounted again on loading.
CREATE TABLE address_state (
  dev_addr INTEGER PRIMARY KEY,
  last_at_us INTEGER NOT NULL,
  state TEXT NOT NULL
) STRICT;

-- Addresses whose frames came in out of order and whose accounting is to be made anew.
CREATE TABLE account_due (
  dev_addr INTEGER PRIMARY KEY
) STRICT;
