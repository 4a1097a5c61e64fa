/** Which joins do this transaction's requests and answers complete? Looked at together, whichever came last. */
import { followJoins, JOIN_REACH_US } from "../joins.ts";
import type { Store } from "../open.ts";

/** MType of the join-accept; LoRaWAN 1.1, section 4.2.1, table 2. */
const JOIN_ACCEPT = 1;

export class JoinBook {
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
