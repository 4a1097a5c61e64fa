/**
 * A store as an attack by invented identifiers leaves it: thousands of gateways and device addresses, a few packets
 * each, beside one true gateway with its nodes. Written as rows, for the recorder would take minutes.
 */
import { dataRateCode } from "../../src/store/data-rate-code.ts";
import { openStore, type Store } from "../../src/store/open.ts";

export const CROWD_FROM_US = Date.UTC(2026, 3, 14, 9) * 1000;
export const CROWD_HOUR_US = 3_600_000_000;
export const TRUE_GATEWAY = "02005E10000000A1";
const MINUTE_US = 60_000_000;
const FRAMES_A_LIFE = 5;

export interface Crowd {
  readonly gateways: number;
  readonly lives: number;
}

export function inventedEui(number: number): string {
  return `02005E11${number.toString(16).toUpperCase().padStart(8, "0")}`;
}

/** An hour from CROWD_FROM_US on. The true gateway has row 1; nodes of private addresses. */
export function crowdedStore({ gateways, lives }: Crowd): Store {
  const db = openStore(":memory:");
  db.transaction(() => {
    writeGateways(db, gateways);
    writeLives(db, lives, gateways);
    db.prepare("INSERT INTO label (kind, id, name) VALUES ('gateway', ?, 'Water tower')").run(TRUE_GATEWAY);
    db.exec(`INSERT INTO channel_minute (gateway_id, frequency_hz, minute, receptions, airtime_us, busy_us)
      SELECT gateway_id, frequency_hz, CAST(at_us / ${MINUTE_US} AS INTEGER), count(*), sum(airtime_us), sum(airtime_us)
      FROM reception GROUP BY 1, 2, 3`);
    db.exec(`INSERT INTO gateway_minute (gateway_id, minute, datagrams, keepalives)
      SELECT gateway_id, CAST(at_us / ${MINUTE_US} AS INTEGER), count(*), sum(kind = 2) FROM datagram GROUP BY 1, 2`);
  })();
  return db;
}

function writeGateways(db: Store, gateways: number): void {
  const gateway = db.prepare(
    "INSERT INTO gateway (id, eui, first_at_us, last_at_us, versions, pull_source) VALUES (?, ?, ?, ?, 2, ?)",
  );
  const datagram = db.prepare("INSERT INTO datagram (gateway_id, at_us, digest, kind) VALUES (?, ?, ?, ?)");
  const report = db.prepare("INSERT INTO status_report (gateway_id, at_us, rx_received) VALUES (?, ?, 5)");
  const endUs = CROWD_FROM_US + CROWD_HOUR_US;
  gateway.run(1, TRUE_GATEWAY, CROWD_FROM_US, endUs - 1, "192.0.2.7 40000");
  for (let atUs = CROWD_FROM_US; atUs < endUs; atUs += 10_000_000) datagram.run(1, atUs, 1, 2);
  for (let atUs = CROWD_FROM_US; atUs < endUs; atUs += 30_000_000) report.run(1, atUs);
  for (let id = 2; id <= gateways; id++) {
    const firstUs = CROWD_FROM_US + Math.floor((id / gateways) * 0.9 * CROWD_HOUR_US);
    gateway.run(id, inventedEui(id), firstUs, firstUs + 20_000_000, "198.51.100.9 50000");
    for (let i = 0; i < 3; i++) datagram.run(id, firstUs + i * 10_000_000, i, i === 0 ? 0 : 2);
  }
}

function writeLives(db: Store, lives: number, gateways: number): void {
  const life = db.prepare(
    `INSERT INTO life (id, dev_addr, number, begun_by, reason, first_at_us, last_at_us, first_counter, last_counter, heard)
     VALUES (?, ?, 1, 'first-heard', 'First heard.', ?, ?, 0, ?, ?)`,
  );
  const frame = db.prepare(
    `INSERT INTO frame (id, life_id, dev_addr, at_us, message_type, fcnt, counter, frequency_hz, data_rate, airtime_us, content)
     VALUES (?, ?, ?, ?, 2, ?, ?, ?, ?, 56576, ?)`,
  );
  const reception = db.prepare(
    `INSERT INTO reception (id, gateway_id, at_us, tmst_key, frame_id, crc, frequency_hz, data_rate, coding_rate, antenna,
       rssi_tenths, snr_tenths, airtime_us, payload) VALUES (?, ?, ?, ?, ?, 0, ?, ?, 1, 0, -900, ?, 56576, ?)`,
  );
  const dataRate = dataRateCode({
    kind: "lora",
    spreadingFactor: 7,
    bandwidthHz: 125_000,
    codingRate: "4/5",
  });
  const payload = Buffer.alloc(20, 0x40);
  const stepUs = Math.floor((0.98 * CROWD_HOUR_US) / FRAMES_A_LIFE);
  let row = 0;
  for (let n = 0; n < lives; n++) {
    const beginUs = CROWD_FROM_US + Math.floor((n / lives) * stepUs) + 1;
    life.run(n + 1, n, beginUs, beginUs + (FRAMES_A_LIFE - 1) * stepUs, FRAMES_A_LIFE - 1, FRAMES_A_LIFE);
    for (let counter = 0; counter < FRAMES_A_LIFE; counter++) {
      row += 1;
      const atUs = beginUs + counter * stepUs;
      const frequencyHz = 867_100_000 + ((n + counter) % 8) * 200_000;
      frame.run(row, n + 1, n, atUs, counter, counter, frequencyHz, dataRate, row);
      const gatewayId = n % 10 === 0 ? 1 : 2 + ((n * 7 + counter) % Math.max(1, gateways - 1));
      const tmst = (atUs - CROWD_FROM_US) % 2 ** 32;
      reception.run(row, gatewayId, atUs, tmst, row, frequencyHz, dataRate, ((n * 13) % 150) - 50, payload);
    }
  }
}
