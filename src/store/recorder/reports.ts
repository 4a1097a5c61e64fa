/** What does a gateway say of itself, and of the downlinks it was asked to send? Writes those rows. */
import type { Statement } from "better-sqlite3";
import type { StatusReport, TransmitOutcome } from "../../model/datagram.ts";
import type { Eui } from "../../model/identifiers.ts";
import type { Store } from "../open.ts";

export class ReportWriter {
  readonly #status: Statement;
  readonly #place: Statement;
  readonly #outcome: Statement;

  constructor(db: Store) {
    this.#status = db.prepare(
      `INSERT OR IGNORE INTO status_report (gateway_id, at_us, clock_offset_us, rx_received, rx_crc_ok, rx_forwarded,
       ack_tenths_percent, downlink_datagrams, tx_emitted, temperature_tenths_c)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    // The newest report that says it holds, in whatever order reports come.
    const newer = (column: string, time: string) =>
      `${column} = iif(@${column} IS NOT NULL AND @at >= ${time}, @${column}, ${column})`;
    const heard = (value: string, time: string) =>
      `${time} = iif(@${value} IS NOT NULL AND @at >= ${time}, @at, ${time})`;
    this.#place = db.prepare(
      `UPDATE gateway SET ${newer("latitude", "position_at_us")}, ${newer("longitude", "position_at_us")},
       ${heard("latitude", "position_at_us")},
       ${newer("altitude_m", "altitude_at_us")}, ${heard("altitude_m", "altitude_at_us")},
       ${newer("platform", "platform_at_us")}, ${heard("platform", "platform_at_us")},
       ${newer("description", "description_at_us")}, ${heard("description", "description_at_us")}
       WHERE id = @id`,
    );
    this.#outcome = db.prepare(
      `INSERT OR IGNORE INTO transmit_outcome (gateway_id, at_us, token, result, word, power_tenths)
       VALUES (?, ?, ?, ?, ?, ?)`,
    );
  }

  status(gatewayId: number, atUs: number, status: StatusReport): void {
    this.#status.run(
      gatewayId,
      atUs,
      status.timeUs === null ? null : status.timeUs - atUs,
      status.rxReceived,
      status.rxCrcOk,
      status.rxForwarded,
      tenths(status.ackPercent),
      status.downlinkDatagrams,
      status.txEmitted,
      tenths(status.temperatureC),
    );
    const [latitude, longitude] = plausiblePlace(status);
    this.#place.run({
      at: atUs,
      id: gatewayId,
      latitude,
      longitude,
      altitude_m: status.altitudeM,
      platform: status.platform,
      description: status.description,
    });
  }

  outcome(gatewayId: number, atUs: number, token: number, outcome: TransmitOutcome): void {
    this.#outcome.run(gatewayId, atUs, token, outcome.result, outcome.word, tenths(outcome.powerDbm));
  }
}

/** 0/0 is the placeholder of forwarders without a position (public issue 19 of a widespread forwarder). */
function plausiblePlace(status: StatusReport): [number | null, number | null] {
  const { latitudeDeg, longitudeDeg } = status;
  if (latitudeDeg === null || longitudeDeg === null) return [null, null];
  return latitudeDeg === 0 && longitudeDeg === 0 ? [null, null] : [latitudeDeg, longitudeDeg];
}

function tenths(value: number | null): number | null {
  return value === null ? null : Math.round(value * 10);
}

// Who may take one of the last places for gateways? A few newcomers a second, and whoever was heard half a minute ago
// already: invented identifiers come once, a gateway comes again. Remembers in bounded memory, however many come.

/** The reference daemons send keepalives every 5 to 10 s and a status report every 30 s. */
const GENERATION_US = 30_000_000;
/** 100,000 identifiers in a generation fill 7 % of the bits: 3 in 10,000 strangers pass by chance. */
const BITS = 2 ** 22;
/** Newcomers that pass unproved. Chosen: 4,096 places last for minutes, long enough for a gateway to settle. */
const A_SECOND = 16;
const AT_ONCE = 64;

export class Newcomers {
  #generation = Number.NEGATIVE_INFINITY;
  #before = new Uint8Array(BITS / 8);
  #now = new Uint8Array(BITS / 8);
  #left = AT_ONCE;
  #sinceUs = Number.NEGATIVE_INFINITY;

  /** True when this identifier may be followed from now on. */
  admit(eui: Eui, atUs: number): boolean {
    this.#turnTo(Math.floor(atUs / GENERATION_US));
    const bits = bitsOf(eui);
    const cameBefore = bits.every((bit) => isSet(this.#before, bit));
    for (const bit of bits) this.#now[bit >> 3] = (this.#now[bit >> 3] ?? 0) | (1 << (bit & 7));
    if (cameBefore) return true;
    const passedUs = Math.abs(atUs - this.#sinceUs);
    this.#left = Math.min(AT_ONCE, this.#left + (passedUs / 1e6) * A_SECOND);
    this.#sinceUs = atUs;
    if (this.#left < 1) return false;
    this.#left -= 1;
    return true;
  }

  #turnTo(generation: number): void {
    if (generation === this.#generation) return;
    const isNext = generation === this.#generation + 1;
    const old = this.#before;
    this.#before = this.#now;
    this.#now = old.fill(0);
    if (!isNext) this.#before.fill(0);
    this.#generation = generation;
  }
}

function isSet(bits: Uint8Array, bit: number): boolean {
  return ((bits[bit >> 3] ?? 0) & (1 << (bit & 7))) !== 0;
}

/** Three places for an identifier: two halves, mixed by multiplication, and their sums (Kirsch and Mitzenmacher 2006). */
function bitsOf(eui: Eui): [number, number, number] {
  const mix = (half: string, by: number) => {
    const value = Math.imul(Number.parseInt(half, 16) ^ by, 0x9e3779b1);
    return (value ^ (value >>> 15)) >>> 0;
  };
  const one = mix(eui.slice(8), mix(eui.slice(0, 8), 0x5bd1e995));
  // Unsigned: a bit below 0 would never be set.
  const other = (mix(eui.slice(0, 8), one) | 1) >>> 0;
  return [one % BITS, (one + other) % BITS, (one + 2 * other) % BITS];
}
