/**
 * How long did the acknowledgements of PUSH_DATA and PULL_DATA take, and how many never came? A relay sees both; so may
 * a capture. Paired by gateway's address, kind and token within two seconds, newest first; counted by minute and class.
 */
import type { Statement } from "better-sqlite3";
import {
  ASKED_BOTH_SIDES,
  ASKED_IN_LINE,
  ASKED_ONE_SIDED,
  roundTripClass,
} from "../../ledger/round-trip-classes.ts";
import type { Arrival } from "../../model/arrival.ts";
import { minuteOf } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { DATAGRAM_KINDS } from "./datagram-book.ts";
import { endpointText } from "./rows.ts";

export type AskingKind = "push-data" | "pull-data";

/** A gateway waits 100 ms; twenty times that is ample, and tokens do not come again so soon (protocol reference, 4.2). */
const ANSWER_WITHIN_US = 2_000_000;
/** Waiting at once. Chosen: two seconds of five thousand datagrams a second. */
const MOST_WAITING = 10_000;

interface Waiting {
  readonly gatewayId: number;
  /** Kind and source: what a capture holds answers to, or not. */
  readonly asker: string;
  readonly kind: AskingKind;
  readonly atUs: number;
}

export class RoundTripBook {
  /** By door: a capture's times are not those of what passes now. In order of time. */
  readonly #waiting = {
    relay: new Map<string, Waiting>(),
    capture: new Map<string, Waiting>(),
  } as const;
  /** Kinds and sources to which the capture being read held an answer; a one-sided capture holds none. */
  readonly #answeredInCapture = new Set<string>();
  readonly #counts = new Map<
    string,
    { gatewayId: number; minute: number; kind: number; class: number; count: number }
  >();
  readonly #add: Statement;

  constructor(db: Store) {
    this.#add = db.prepare(
      `INSERT INTO round_trip_minute (gateway_id, minute, kind, class, count) VALUES (?, ?, ?, ?, ?)
       ON CONFLICT DO UPDATE SET count = count + excluded.count`,
    );
  }

  /** A datagram that asks for an acknowledgement and was not seen before. */
  asked(arrival: Arrival, gatewayId: number, kind: AskingKind, token: number): void {
    const { door, atUs, from } = arrival;
    if (door === "udp") return;
    const waiting = this.#waiting[door];
    this.#expire(door, atUs - ANSWER_WITHIN_US);
    const asker = `${kind} ${endpointText(from)}`;
    const key = `${asker} ${token}`;
    // The same token again so soon: the first is taken for unanswered.
    this.#giveUp(door, key);
    waiting.set(key, { gatewayId, asker, kind, atUs });
    if (waiting.size <= MOST_WAITING) return;
    const oldest = waiting.keys().next();
    if (oldest.done !== true) this.#giveUp(door, oldest.value);
  }

  /** A PUSH_ACK or PULL_ACK on its way to a gateway. */
  answered({ door, atUs, to }: Arrival, kind: AskingKind, token: number): void {
    if (door === "udp") return;
    const key = `${kind} ${endpointText(to)} ${token}`;
    const asked = this.#waiting[door].get(key);
    if (asked === undefined || atUs < asked.atUs || atUs - asked.atUs > ANSWER_WITHIN_US) return;
    this.#waiting[door].delete(key);
    if (door === "capture") this.#answeredInCapture.add(asked.asker);
    this.#countAsked(door, asked);
    this.#count(asked, roundTripClass(atUs - asked.atUs));
  }

  /** A capture has been read to its end: what still waits there is not answered any more. */
  endOfCapture(): void {
    this.#expire("capture", Number.POSITIVE_INFINITY);
    this.#answeredInCapture.clear();
  }

  flush(): void {
    for (const { gatewayId, minute, kind, class: one, count } of this.#counts.values())
      this.#add.run(gatewayId, minute, kind, one, count);
    this.#counts.clear();
  }

  forget(): void {
    this.#waiting.relay.clear();
    this.#waiting.capture.clear();
    this.#answeredInCapture.clear();
    this.#counts.clear();
  }

  #expire(door: "relay" | "capture", beforeUs: number): void {
    for (const [key, { atUs }] of this.#waiting[door]) {
      if (atUs >= beforeUs) break;
      this.#giveUp(door, key);
    }
  }

  #giveUp(door: "relay" | "capture", key: string): void {
    const asked = this.#waiting[door].get(key);
    if (asked === undefined) return;
    this.#waiting[door].delete(key);
    this.#countAsked(door, asked);
  }

  #countAsked(door: "relay" | "capture", asked: Waiting): void {
    const inCapture = this.#answeredInCapture.has(asked.asker) ? ASKED_BOTH_SIDES : ASKED_ONE_SIDED;
    this.#count(asked, door === "relay" ? ASKED_IN_LINE : inCapture);
  }

  #count({ gatewayId, kind, atUs }: Waiting, one: number): void {
    const minute = minuteOf(atUs);
    const key = `${gatewayId}/${minute}/${kind}/${one}`;
    const cell = this.#counts.get(key) ?? {
      gatewayId,
      minute,
      kind: DATAGRAM_KINDS[kind],
      class: one,
      count: 0,
    };
    cell.count += 1;
    this.#counts.set(key, cell);
  }
}
