/**
 * What follows from a stored reception? The channel's load, the frame that it is a hearing of, and that frame's
 * place in the counters of its node. The one path for new receptions and for deriving everything again.
 */
import { contentOf } from "../../ledger/group-receptions.ts";
import type { WireFault } from "../../model/fault.ts";
import { type DevAddr, parseDevAddr } from "../../model/identifiers.ts";
import { decodePhyPayload } from "../../wire/lorawan/phy-payload.ts";
import { followJoins, JOIN_REACH_US } from "../keys.ts";
import type { Store } from "../open.ts";
import { ChannelWriter } from "./channels.ts";
import { type Account, CounterAssigner, type Recounted, type RecountStep } from "./counters.ts";
import { FrameWriter, type NewFrame } from "./frames.ts";
import type { StoredReception } from "./rows.ts";

export interface Derived {
  /** The node that the frame names, if it names one. */
  readonly devAddr: DevAddr | null;
  readonly isJoinRequest: boolean;
  /** Why the payload is no LoRaWAN frame; null when it is one, or was not looked at (CRC). */
  readonly fault: WireFault | null;
}

const NOTHING: Derived = { devAddr: null, isJoinRequest: false, fault: null };

// MType codes of uplink data; LoRaWAN 1.1, section 4.2.1, table 2.
const UNCONFIRMED_DATA_UP = 2;
const CONFIRMED_DATA_UP = 4;

export interface DerivationOptions {
  /** Everything is derived again, in order of time, on emptied tables. */
  readonly fromTheStart: boolean;
  /** A frame of an address was stored, or one more hearing of it. */
  readonly onFrame?: ((devAddr: number, frameAtUs: number) => void) | undefined;
}

export class Derivation {
  readonly #frames: FrameWriter;
  readonly #accounts: CounterAssigner;
  readonly #channels: ChannelWriter;

  readonly #onFrame: DerivationOptions["onFrame"];

  constructor(db: Store, options: DerivationOptions = { fromTheStart: false }) {
    this.#onFrame = options.onFrame;
    this.#frames = new FrameWriter(db);
    this.#accounts = new CounterAssigner(db);
    this.#channels = new ChannelWriter(db, !options.fromTheStart);
  }

  derive(reception: StoredReception): Derived {
    const { frequencyHz, payload, crc } = reception;
    if (frequencyHz !== null && !reception.further) {
      this.#channels.add(reception, frequencyHz, crc === "bad");
    }
    // Without a right CRC every octet is suspect, address and counter included: it counts for the air only.
    if (crc !== "ok" || payload === null) return NOTHING;
    const decoded = decodePhyPayload(payload);
    if (!decoded.ok) return { ...NOTHING, fault: decoded.fault };
    const phy = decoded.value;
    const placement = this.#frames.place(reception, phy, contentOf(payload, "fCnt" in phy));
    if (placement.kind === "regrouped") {
      if (placement.devAddr !== null) this.#accounts.markDue(placement.devAddr, placement.fromUs);
    } else if (placement.kind === "first") {
      this.#writeFirst(placement.frame, reception, payload);
    }
    if ("devAddr" in phy) {
      const frameAtUs = placement.kind === "joined" ? placement.frameAtUs : reception.atUs;
      this.#onFrame?.(parseDevAddr(phy.devAddr), frameAtUs);
    }
    return {
      devAddr: "devAddr" in phy ? phy.devAddr : null,
      isJoinRequest: phy.messageType === "JoinRequest",
      fault: null,
    };
  }

  /** A stored reception proved the ghost of a stronger one: its airtime and its frame are taken back. */
  takeBack(
    gatewayId: number,
    ghost: { frameId: number | null; frequencyHz: number | null; atUs: number },
  ): void {
    if (ghost.frequencyHz !== null) this.#channels.recount(gatewayId, ghost.frequencyHz, ghost.atUs);
    if (ghost.frameId === null) return;
    const frame = this.#frames.addressOf(ghost.frameId);
    this.#frames.dropIfUnheard(ghost.frameId);
    if (frame !== null) this.#accounts.markDue(frame.devAddr, frame.atUs);
  }

  /** Accounts again for the addresses whose frames came out of order, to the end. */
  settle(): Recounted[] {
    return this.#accounts.settle();
  }

  /** As far as it takes a few milliseconds; the addresses that are done. */
  settleQuick(): Recounted[] {
    return this.#accounts.settleQuick();
  }

  /** Accounts again for some frames. */
  recountSome(maxFrames: number): RecountStep {
    return this.#accounts.recountSome(maxFrames);
  }

  /** Holds the accounting of an address at a moment; true: all of it is done. */
  hold(devAddr: number, beforeUs: number, most: number): boolean {
    return this.#accounts.hold(devAddr, beforeUs, most);
  }

  /** Times of the replays that accounting found since this was asked last. */
  takeReplays(): number[] {
    return this.#accounts.takeReplays();
  }

  /** Keys were handed in or taken away by this connection. */
  forgetKeys(): void {
    this.#accounts.forgetKeys();
  }

  /** Rows were taken away by this connection: frames may be gone. */
  forgetFrames(): void {
    this.#frames.forget();
  }

  flush(): void {
    this.#accounts.flush();
    this.#channels.flush();
  }

  forget(): void {
    this.#frames.forget();
    this.#accounts.forget();
    this.#channels.forget();
  }

  storeStates(): void {
    this.#accounts.storeAll();
  }

  #writeFirst(frame: NewFrame, reception: StoredReception, payload: Uint8Array): void {
    const frameId = this.#frames.write(frame, this.#account(frame, reception, payload));
    this.#frames.assign(reception.receptionId, frameId);
  }

  #account(frame: NewFrame, reception: StoredReception, payload: Uint8Array): Account | null {
    const { devAddr, fcnt, messageType } = frame;
    if (messageType !== UNCONFIRMED_DATA_UP && messageType !== CONFIRMED_DATA_UP) return null;
    if (devAddr === null || fcnt === null) return null;
    const { gatewayId, rssiTenths } = reception;
    return this.#accounts.account(devAddr, {
      atUs: frame.atUs,
      fcnt,
      content: frame.content,
      radio: { dataRate: frame.dataRate, gatewayId, rssiTenths },
      airtimeUs: frame.airtimeUs,
      frequencyHz: frame.frequencyHz,
      dataRate: frame.dataRate,
      payload,
    });
  }
}

// Which joins do this transaction's requests and answers complete? Looked at together, whichever came last.

/** MType of the join-accept; LoRaWAN 1.1, section 4.2.1, table 2. */
const JOIN_ACCEPT = 1;

export class JoinWriter {
  readonly #db: Store;
  /** When joins were requested or answered in this transaction. */
  #touched: { readonly fromUs: number; readonly toUs: number } | null = null;

  constructor(db: Store) {
    this.#db = db;
  }

  /** A packet was handed out for the first time. */
  handedOut(payload: Uint8Array, atUs: number): void {
    if ((payload[0] ?? 0) >> 5 === JOIN_ACCEPT) this.#touch(atUs);
  }

  /** A join-request was heard. */
  requested(atUs: number): void {
    this.#touch(atUs);
  }

  /**
   * Follows the joins of this transaction: true when new keys were found. Requests and answers may come in any order:
   * whichever is last is looked at with what is around it.
   */
  follow(): boolean {
    if (this.#touched === null) return false;
    const { fromUs, toUs } = this.#touched;
    this.#touched = null;
    return followJoins(this.#db, fromUs - JOIN_REACH_US, toUs + JOIN_REACH_US) > 0;
  }

  forget(): void {
    this.#touched = null;
  }

  #touch(atUs: number): void {
    const { fromUs, toUs } = this.#touched ?? { fromUs: atUs, toUs: atUs };
    this.#touched = { fromUs: Math.min(fromUs, atUs), toUs: Math.max(toUs, atUs) };
  }
}
