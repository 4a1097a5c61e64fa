/** What came in behind the frontier of the search for gaps? Kept until it has been gone through, also over a crash. */
import type { Statement } from "better-sqlite3";
import type { Store } from "../open.ts";

/** An address whose frames changed from a moment on (devAddr), or a gateway's stretch of time (gatewayId; 0: a server's datagrams); -1: not of that kind. */
export interface Disorder {
  readonly devAddr: number;
  readonly gatewayId: number;
  readonly fromUs: number;
  readonly toUs: number;
}

export class LateData {
  readonly #gateways = new Map<number, { fromUs: number; toUs: number }>();
  /** With the moment before which nothing changed. */
  readonly #addresses = new Map<number, number>();
  readonly #add: Statement;
  readonly #some: Statement;
  readonly #remove: Statement;
  /** The table holds rows, as far as this connection knows. */
  #isPending = true;

  constructor(db: Store) {
    this.#add = db.prepare(
      `INSERT INTO gap_disorder (dev_addr, gateway_id, from_us, to_us) VALUES (?, ?, ?, ?)
       ON CONFLICT DO UPDATE SET from_us = min(from_us, excluded.from_us), to_us = max(to_us, excluded.to_us)`,
    );
    this.#some = db.prepare(
      `SELECT dev_addr AS devAddr, gateway_id AS gatewayId, from_us AS fromUs, to_us AS toUs FROM gap_disorder
       ORDER BY dev_addr, gateway_id LIMIT ?`,
    );
    this.#remove = db.prepare("DELETE FROM gap_disorder WHERE dev_addr = ? AND gateway_id = ?");
  }

  noteGateway(gatewayId: number, atUs: number): void {
    const known = this.#gateways.get(gatewayId);
    this.#gateways.set(gatewayId, {
      fromUs: Math.min(atUs, known?.fromUs ?? atUs),
      toUs: Math.max(atUs, known?.toUs ?? atUs),
    });
  }

  /** The frames of an address changed from a moment on; those before it are as they were. */
  noteAddress(devAddr: number, fromUs: number): void {
    this.#addresses.set(devAddr, Math.min(fromUs, this.#addresses.get(devAddr) ?? fromUs));
  }

  flush(): void {
    for (const [gatewayId, { fromUs, toUs }] of this.#gateways) this.#add.run(-1, gatewayId, fromUs, toUs);
    for (const [devAddr, fromUs] of this.#addresses) {
      const from = Math.floor(Math.max(fromUs, Number.MIN_SAFE_INTEGER));
      this.#add.run(devAddr, -1, from, from);
    }
    if (this.#gateways.size + this.#addresses.size > 0) this.#isPending = true;
    this.#gateways.clear();
    this.#addresses.clear();
  }

  /** Some of it, gateways first; it is taken off the list. */
  take(most: number): Disorder[] {
    this.flush();
    if (!this.#isPending) return [];
    const some = this.#some.all(most) as Disorder[];
    for (const { devAddr, gatewayId } of some) this.#remove.run(devAddr, gatewayId);
    if (some.length === 0) this.#isPending = false;
    return some;
  }

  forget(): void {
    this.#gateways.clear();
    this.#addresses.clear();
    this.#isPending = true;
  }
}
