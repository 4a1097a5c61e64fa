/**
 * Which transmission does a reception belong to? Finds or makes its `frame` row. Almost always one look
 * decides; when receptions come in an order that moves the beginning of a transmission, its neighbourhood is
 * grouped afresh by the pure rule of the ledger, so that order never shows in the result.
 */
import type { Statement } from "better-sqlite3";
import { clusterHearings, GROUPING_WINDOW_US, type Hearing } from "../../ledger/group-receptions.ts";
import { parseDevAddr } from "../../model/identifiers.ts";
import type { PhyPayload } from "../../wire/lorawan/phy-payload.ts";
import type { Store } from "../open.ts";
import type { Account } from "./counters.ts";
import type { StoredReception } from "./rows.ts";

/** MType codes; LoRaWAN 1.1, section 4.2.1, table 2. */
const MESSAGE_TYPES: Readonly<Record<PhyPayload["messageType"], number>> = {
  JoinRequest: 0,
  JoinAccept: 1,
  UnconfirmedDataUp: 2,
  UnconfirmedDataDown: 3,
  ConfirmedDataUp: 4,
  ConfirmedDataDown: 5,
  RejoinRequest: 6,
  Proprietary: 7,
};

interface FrameRow {
  readonly id: number;
  readonly atUs: number;
}

/** A frame that is to be written, before the accounting has named its life. */
export interface NewFrame {
  readonly atUs: number;
  readonly messageType: number;
  readonly devAddr: number | null;
  readonly devEui: string | null;
  readonly fcnt: number | null;
  readonly content: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly airtimeUs: number;
  readonly frameControl: number | null;
  readonly port: number | null;
}

export type Placement =
  /** Another hearing of a frame that is stored. */
  | { readonly kind: "joined"; readonly frameAtUs: number }
  /** The first hearing of a frame: to be written with its accounting. */
  | { readonly kind: "first"; readonly frame: NewFrame }
  /** Frames from a moment on were grouped afresh; the address is to be accounted again from there. */
  | { readonly kind: "regrouped"; readonly devAddr: number | null; readonly fromUs: number };

/** A frame's candidates lie 4 s back at most; what came that late is found without the tables. Chosen. */
const RECENT_US = 10_000_000;
const MAX_RECENT = 20_000;
/** So many that have left are kept until they are cut off together. */
const MAX_LEFT = 4_096;

type RecentFrame = FrameRow & Pick<NewFrame, "devAddr" | "content" | "frequencyHz" | "dataRate">;

/** The frames of the last seconds, by content: almost every reception asks for these and for no others. */
class RecentFrames {
  readonly #byContent = new Map<number, RecentFrame[]>();
  readonly #byId = new Map<number, RecentFrame>();
  /** In order of writing, some of them removed since; those before `#first` have left. */
  #order: RecentFrame[] = [];
  #first = 0;
  /** From here on it holds every frame. */
  #completeFromUs: number;
  #newestUs = Number.NEGATIVE_INFINITY;

  /** `completeFromUs`: no stored frame lies there or later. */
  constructor(completeFromUs: number) {
    this.#completeFromUs = completeFromUs;
  }

  add(frame: RecentFrame): void {
    if (frame.atUs < this.#completeFromUs) return;
    this.#byId.set(frame.id, frame);
    this.#order.push(frame);
    const alike = this.#byContent.get(frame.content);
    if (alike === undefined) this.#byContent.set(frame.content, [frame]);
    else alike.push(frame);
    this.#newestUs = Math.max(this.#newestUs, frame.atUs);
    for (;;) {
      const oldest = this.#order[this.#first];
      if (oldest === undefined) break;
      const isThere = this.#byId.get(oldest.id) === oldest;
      if (isThere && oldest.atUs >= this.#newestUs - RECENT_US && this.#byId.size <= MAX_RECENT) break;
      this.#first += 1;
      if (!isThere) continue;
      this.#completeFromUs = Math.max(this.#completeFromUs, oldest.atUs + 1);
      this.remove(oldest.id);
    }
    // A map's first value is found behind all that left before it: a list that is cut now and then is quicker.
    if (this.#first < MAX_LEFT) return;
    this.#order = this.#order.slice(this.#first);
    this.#first = 0;
  }

  remove(id: number): void {
    const frame = this.#byId.get(id);
    if (frame === undefined) return;
    this.#byId.delete(id);
    const others = this.#byContent.get(frame.content)?.filter((other) => other !== frame) ?? [];
    if (others.length === 0) this.#byContent.delete(frame.content);
    else this.#byContent.set(frame.content, others);
  }

  /** The frames that a transmission between two moments may be; null: the tables have to be asked. */
  alike(frame: NewFrame, fromUs: number, toUs: number): FrameRow[] | null {
    if (fromUs < this.#completeFromUs) return null;
    const { devAddr, frequencyHz, dataRate } = frame;
    return (this.#byContent.get(frame.content) ?? []).filter(
      (other) =>
        other.devAddr === devAddr &&
        other.atUs >= fromUs &&
        other.atUs <= toUs &&
        other.frequencyHz === frequencyHz &&
        other.dataRate === dataRate,
    );
  }
}

export class FrameWriter {
  readonly #near: Statement;
  readonly #nearAnywhere: Statement;
  readonly #tmstOf: Statement;
  readonly #hearings: Statement;
  readonly #insert: Statement;
  readonly #remove: Statement;
  readonly #assign: Statement;
  readonly #address: Statement;
  readonly #newest: Statement;
  #recent: RecentFrames | null = null;

  constructor(db: Store) {
    this.#newest = db.prepare("SELECT max(at_us) FROM frame").pluck();
    const match = "content = ? AND frequency_hz IS ? AND data_rate = ?";
    this.#near = db.prepare(
      `SELECT id, at_us AS atUs FROM frame WHERE dev_addr = ? AND at_us BETWEEN ? AND ? AND ${match}`,
    );
    this.#nearAnywhere = db.prepare(
      `SELECT id, at_us AS atUs FROM frame WHERE at_us BETWEEN ? AND ? AND dev_addr IS NULL AND ${match}`,
    );
    this.#tmstOf = db.prepare("SELECT tmst_key FROM reception WHERE frame_id = ? AND gateway_id = ?").pluck();
    this.#hearings = db.prepare(
      `SELECT id, gateway_id AS gatewayId, antenna, at_us AS atUs, tmst_key AS tmstKey
       FROM reception WHERE frame_id = ?`,
    );
    this.#insert = db.prepare(
      `INSERT INTO frame (life_id, dev_addr, dev_eui, at_us, message_type, fcnt, counter, repeat, frequency_hz,
       data_rate, airtime_us, content, frame_control, port, mic_verdict, key_id, replay)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    this.#remove = db.prepare("DELETE FROM frame WHERE id = ?");
    this.#address = db.prepare(
      "SELECT dev_addr AS devAddr, at_us AS atUs FROM frame WHERE id = ? AND dev_addr IS NOT NULL",
    );
    this.#assign = db.prepare("UPDATE reception SET frame_id = ? WHERE id = ?");
  }

  /** `content`: see contentOf. */
  place(reception: StoredReception, phy: PhyPayload, content: number): Placement {
    const frame = newFrameOf(reception, phy, content);
    const candidates = this.#candidates(frame, reception.atUs, reception.atUs);
    const [known, ...others] = candidates;
    if (known === undefined) return { kind: "first", frame };
    if (others.length === 0 && this.#simplyJoins(known, reception)) {
      this.assign(reception.receptionId, known.id);
      return { kind: "joined", frameAtUs: known.atUs };
    }
    return { kind: "regrouped", devAddr: frame.devAddr, fromUs: this.#regroup(frame, reception) };
  }

  /** Writes a frame with what the accounting said of it (null: it is accounted later, or never). */
  write(frame: NewFrame, account: Account | null): number {
    const result = this.#insert.run(
      account?.lifeId ?? null,
      frame.devAddr,
      frame.devEui,
      frame.atUs,
      frame.messageType,
      frame.fcnt,
      account?.counter ?? null,
      account?.repeat === true ? 1 : 0,
      frame.frequencyHz,
      frame.dataRate,
      frame.airtimeUs,
      frame.content,
      frame.frameControl,
      frame.port,
      account?.micVerdict ?? null,
      account?.keyId ?? null,
      account?.replay === true ? 1 : 0,
    );
    const id = Number(result.lastInsertRowid);
    const { devAddr, atUs, content, frequencyHz, dataRate } = frame;
    this.#recent?.add({ id, devAddr, atUs, content, frequencyHz, dataRate });
    return id;
  }

  /** Drops what memory holds: rows were taken away or rolled back, or another connection wrote. */
  forget(): void {
    this.#recent = null;
  }

  assign(receptionId: number, frameId: number): void {
    this.#assign.run(frameId, receptionId);
  }

  /** A frame without hearings left (its only one proved a ghost) is taken away. True when it was. */
  dropIfUnheard(frameId: number): boolean {
    if (this.#hearings.get(frameId) !== undefined) return false;
    this.#remove.run(frameId);
    this.#recent?.remove(frameId);
    return true;
  }

  /** Whose a frame is, and when it was; null when it names no address. */
  addressOf(frameId: number): { readonly devAddr: number; readonly atUs: number } | null {
    return (this.#address.get(frameId) as { devAddr: number; atUs: number } | undefined) ?? null;
  }

  #candidates(frame: NewFrame, fromUs: number, toUs: number): FrameRow[] {
    const low = fromUs - 2 * GROUPING_WINDOW_US;
    const high = toUs + GROUPING_WINDOW_US;
    this.#recent ??= new RecentFrames(((this.#newest.get() as number | null) ?? Number.MIN_SAFE_INTEGER) + 1);
    const recent = this.#recent.alike(frame, low, high);
    if (recent !== null) return recent;
    const match = [frame.content, frame.frequencyHz, frame.dataRate];
    const rows =
      frame.devAddr === null
        ? this.#nearAnywhere.all(low, high, ...match)
        : this.#near.all(frame.devAddr, low, high, ...match);
    return rows as FrameRow[];
  }

  /** The reception lies behind the frame's first hearing, within the window, and no antenna heard two. */
  #simplyJoins(frame: FrameRow, reception: StoredReception): boolean {
    const behindUs = reception.atUs - frame.atUs;
    if (behindUs < 0 || behindUs > GROUPING_WINDOW_US) return false;
    const own = { id: 0, ...hearingOf(reception) };
    const ofGateway = this.#tmstOf.all(frame.id, reception.gatewayId) as number[];
    // Two gateways at the same instant: which of them stands first is the pure rule's to say.
    if (behindUs === 0 && ofGateway.length === 0) return false;
    return ofGateway.every(
      (tmstKey) => clusterHearings([{ ...own, atUs: frame.atUs, tmstKey }, own]).length === 1,
    );
  }

  /** The earliest moment of the frames that were, and that are now. */
  #regroup(frame: NewFrame, reception: StoredReception): number {
    const hearings: Hearing[] = [{ id: reception.receptionId, ...hearingOf(reception) }];
    const taken = new Map<number, FrameRow>();
    let grew = true;
    while (grew) {
      grew = false;
      const times = hearings.map((hearing) => hearing.atUs);
      for (const candidate of this.#candidates(frame, Math.min(...times), Math.max(...times))) {
        if (taken.has(candidate.id)) continue;
        taken.set(candidate.id, candidate);
        hearings.push(...(this.#hearings.all(candidate.id) as Hearing[]));
        grew = true;
      }
    }
    for (const id of taken.keys()) {
      this.#remove.run(id);
      this.#recent?.remove(id);
    }
    for (const cluster of clusterHearings(hearings)) {
      const id = this.write({ ...frame, atUs: cluster[0]?.atUs ?? frame.atUs }, null);
      for (const hearing of cluster) this.assign(hearing.id, id);
    }
    const times = [...hearings, ...taken.values()].map(({ atUs }) => atUs);
    return Math.min(...times);
  }
}

function hearingOf(reception: StoredReception): Omit<Hearing, "id"> {
  const { gatewayId, antenna, atUs, tmstKey } = reception;
  return { gatewayId, antenna, atUs, tmstKey };
}

function newFrameOf(reception: StoredReception, phy: PhyPayload, content: number): NewFrame {
  const data = "devAddr" in phy ? phy : null;
  return {
    atUs: reception.atUs,
    messageType: MESSAGE_TYPES[phy.messageType],
    devAddr: data === null ? null : parseDevAddr(data.devAddr),
    devEui: "devEui" in phy ? (phy.devEui ?? null) : null,
    fcnt: data?.fCnt ?? null,
    content,
    frequencyHz: reception.frequencyHz,
    dataRate: reception.dataRate,
    airtimeUs: reception.airtimeUs,
    frameControl: data?.fCtrl.raw ?? null,
    port: data?.fPort ?? null,
  };
}
