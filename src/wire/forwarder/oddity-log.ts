/**
 * What was odd about one datagram, and was anything left unused for it? The reasons are the counters'
 * names; each says here whether it means that the datagram, a packet or the body was not used.
 */
import type { Oddity } from "../../model/fault.ts";

const notUsed = true;
const used = false;

/** Every reason that this folder's decoders give. */
const catalogue = {
  // Head: the datagram is dropped and not answered.
  short: notUsed,
  short_eui: notUsed,
  version: notUsed,
  ident: notUsed,
  direction: notUsed,
  // Body: the datagram is acknowledged, its body (or the `stat` in it) is not used.
  big: notUsed,
  body_empty: notUsed,
  body_unknown: notUsed,
  json_depth: notUsed,
  json_root: notUsed,
  json_syntax: notUsed,
  // Elements of `rxpk`: skipped, or kept without their payload.
  rxpk_element: notUsed,
  rxpk_many: notUsed,
  base64: notUsed,
  data_long: notUsed,
  // Odd, but used.
  v1_txack: used,
  trailing: used,
  leading: used,
  utf8: used,
  json_nan: used,
  json_repaired: used,
  stat_repaired: used,
  rxpk_empty: used,
  rxpk_object: used,
  num_string: used,
  range: used,
  tmst_missing: used,
  time_bad: used,
  freq: used,
  datr: used,
  modu: used,
  codr: used,
  crc_bad: used,
  crc_unknown: used,
  rsig: used,
  data_empty: used,
  size_mismatch: used,
  stat_odd: used,
  text: used,
  txack_unknown: used,
} as const satisfies Record<string, boolean>;

export type Reason = keyof typeof catalogue;

/** The reasons that mean: the datagram, a packet of it, its payload or its body was not used. */
export const refusedReasons: ReadonlySet<string> = new Set(
  Object.entries(catalogue)
    .filter(([, isNotUsed]) => isNotUsed)
    .map(([reason]) => reason),
);

/** Every reason that the decoders of this folder can give, refused or merely odd. */
export const everyReason: ReadonlySet<string> = new Set(Object.keys(catalogue));

const detailLimit = 80;

/** Collects the oddities of one datagram: each reason once a packet, so that a hostile body stays bounded. */
export class OddityLog {
  readonly entries: Oddity[] = [];
  private packetFrom = 0;

  /** From here on reasons are counted afresh: another packet begins. */
  beginPacket(): void {
    this.packetFrom = this.entries.length;
  }

  /** Notes what concerns several packets at once; the datagram is worth keeping. */
  noteSeveral(reason: Reason, count: number, detail: string): void {
    this.entries.push({ reason, keepRaw: true, detail: detail.slice(0, detailLimit), count });
  }

  note(reason: Reason, keepRaw: boolean, detail?: string): void {
    for (let index = this.packetFrom; index < this.entries.length; index++) {
      const entry = this.entries[index];
      if (entry?.reason !== reason) continue;
      if (keepRaw && !entry.keepRaw) this.entries[index] = { ...entry, keepRaw };
      return;
    }
    this.entries.push(
      detail === undefined ? { reason, keepRaw } : { reason, keepRaw, detail: detail.slice(0, detailLimit) },
    );
  }
}
