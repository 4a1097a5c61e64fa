/**
 * What follows from a stored reception? The channel's load, the frame that it is a hearing of, and that frame's
 * place in the counters of its node. The one path for new receptions and for deriving everything again.
 */
import { contentOf } from "../../ledger/content.ts";
import type { WireFault } from "../../model/fault.ts";
import type { DevAddr } from "../../model/identifiers.ts";
import { formatDevAddr, parseDevAddr } from "../../model/identifiers.ts";
import { decodePhyPayload } from "../../wire/lorawan/phy-payload.ts";
import type { Store } from "../open.ts";
import { type Account, AccountBook } from "./account-book.ts";
import { ChannelBook } from "./channel-book.ts";
import { FrameBook, type NewFrame } from "./frame-book.ts";
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
  readonly #frames: FrameBook;
  readonly #accounts: AccountBook;
  readonly #channels: ChannelBook;

  readonly #onFrame: DerivationOptions["onFrame"];

  constructor(db: Store, options: DerivationOptions = { fromTheStart: false }) {
    this.#onFrame = options.onFrame;
    this.#frames = new FrameBook(db);
    this.#accounts = new AccountBook(db);
    this.#channels = new ChannelBook(db, !options.fromTheStart);
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

  /** Accounts again for the addresses whose frames came out of order, to the end; the addresses. */
  settle(): DevAddr[] {
    return this.#accounts.settle().map(formatDevAddr);
  }

  /** As far as it takes a few milliseconds; the addresses that are done, and from which moment on. */
  settleQuick(): { readonly devAddr: DevAddr; readonly fromUs: number }[] {
    const settled = this.#accounts.settleQuick();
    return settled.map(({ devAddr, fromUs }) => ({ devAddr: formatDevAddr(devAddr), fromUs }));
  }

  /** Accounts again for some frames; the addresses that are done, and whether there is more to do. */
  recountSome(maxFrames: number): { readonly settled: DevAddr[]; readonly isMore: boolean } {
    const { settled, isMore } = this.#accounts.recountSome(maxFrames);
    return { settled: settled.map(formatDevAddr), isMore };
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
