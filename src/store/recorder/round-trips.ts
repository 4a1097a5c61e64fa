/**
 * How long did the acknowledgements of PUSH_DATA and PULL_DATA take, and how many never came? A relay sees both; so may
 * a capture. Paired by gateway's address, kind and token within two seconds, newest first; counted by minute and class.
 * A capture may hold them in any order: there both wait for each other until its end.
 */
import type { Statement } from "better-sqlite3";
import {
  ASKED_BOTH_SIDES,
  ASKED_IN_LINE,
  ASKED_ONE_SIDED,
  roundTripClass,
} from "../../ledger/downlink-timing.ts";
import type { Arrival } from "../../model/datagram.ts";
import { minuteOf } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { DATAGRAM_KINDS } from "./datagrams.ts";
import { endpointText } from "./rows.ts";

export type AskingKind = "push-data" | "pull-data";

/** A gateway waits 100 ms; twenty times that is ample, and tokens do not come again so soon (protocol reference, 4.2). */
const ANSWER_WITHIN_US = 2_000_000;
/** Waiting at once. Chosen: two seconds of five thousand datagrams a second. */
const MAX_WAITING = 10_000;

interface Waiting {
  readonly gatewayId: number;
  /** Kind and source: what a capture holds answers to, or not. */
  readonly asker: string;
  readonly kind: AskingKind;
  readonly atUs: number;
}

interface AskedInCapture extends Waiting {
  readonly key: string;
}

export class RoundTripWriter {
  /** What passes now, in order of time. */
  readonly #waiting = new Map<string, Waiting>();
  /** Of a capture, in the order in which it was read. */
  readonly #asked = new Set<AskedInCapture>();
  readonly #askedByKey = new Map<string, AskedInCapture[]>();
  readonly #answers = new Map<string, number[]>();
  #answersWaiting = 0;
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
  asked({ door, atUs, from }: Arrival, gatewayId: number, kind: AskingKind, token: number): void {
    if (door === "udp") return;
    const asker = `${kind} ${endpointText(from)}`;
    const key = `${asker} ${token}`;
    if (door === "capture") {
      this.#askedInCapture({ key, gatewayId, asker, kind, atUs });
      return;
    }
    this.#expire(atUs - ANSWER_WITHIN_US);
    // The same token again so soon: the first is taken for unanswered.
    this.#giveUp(key);
    this.#waiting.set(key, { gatewayId, asker, kind, atUs });
    if (this.#waiting.size <= MAX_WAITING) return;
    const oldest = this.#waiting.keys().next();
    if (oldest.done !== true) this.#giveUp(oldest.value);
  }

  /** A PUSH_ACK or PULL_ACK on its way to a gateway. */
  answered({ door, atUs, to }: Arrival, kind: AskingKind, token: number): void {
    if (door === "udp") return;
    const key = `${kind} ${endpointText(to)} ${token}`;
    if (door === "capture") {
      this.#answerInCapture(key, atUs);
      return;
    }
    const asked = this.#waiting.get(key);
    if (asked === undefined || !isAnswer(asked.atUs, atUs)) return;
    this.#waiting.delete(key);
    this.#count(asked, ASKED_IN_LINE);
    this.#count(asked, roundTripClass(atUs - asked.atUs));
  }

  /** A capture has been read to its end: what still waits there is not answered any more. */
  endOfCapture(): void {
    for (const asked of this.#asked) this.#countAsked(asked);
    this.#forgetCapture();
  }

  #askedInCapture(asked: AskedInCapture): void {
    const answers = this.#answers.get(asked.key) ?? [];
    const fitting = answers.filter((atUs) => isAnswer(asked.atUs, atUs));
    if (fitting.length > 0) {
      const atUs = Math.min(...fitting);
      answers.splice(answers.indexOf(atUs), 1);
      if (answers.length === 0) this.#answers.delete(asked.key);
      this.#answersWaiting -= 1;
      this.#countPair(asked, atUs);
      return;
    }
    this.#asked.add(asked);
    const ofKey = this.#askedByKey.get(asked.key);
    if (ofKey === undefined) this.#askedByKey.set(asked.key, [asked]);
    else ofKey.push(asked);
    if (this.#asked.size <= MAX_WAITING) return;
    for (const oldest of this.#asked) {
      this.#take(oldest);
      this.#countAsked(oldest);
      break;
    }
  }

  #answerInCapture(key: string, atUs: number): void {
    const waiting = (this.#askedByKey.get(key) ?? []).filter((asked) => isAnswer(asked.atUs, atUs));
    const [first, ...others] = waiting;
    if (first !== undefined) {
      const newest = others.reduce((a, b) => (b.atUs > a.atUs ? b : a), first);
      this.#take(newest);
      this.#countPair(newest, atUs);
      return;
    }
    this.#answers.set(key, [...(this.#answers.get(key) ?? []), atUs]);
    this.#answersWaiting += 1;
    if (this.#answersWaiting <= MAX_WAITING) return;
    for (const [oldest, { length }] of this.#answers) {
      this.#answers.delete(oldest);
      this.#answersWaiting -= length;
      break;
    }
  }

  /** It waits no longer. */
  #take(asked: AskedInCapture): void {
    this.#asked.delete(asked);
    const left = (this.#askedByKey.get(asked.key) ?? []).filter((one) => one !== asked);
    if (left.length === 0) this.#askedByKey.delete(asked.key);
    else this.#askedByKey.set(asked.key, left);
  }

  #countPair(asked: AskedInCapture, answeredUs: number): void {
    this.#answeredInCapture.add(asked.asker);
    this.#countAsked(asked);
    this.#count(asked, roundTripClass(answeredUs - asked.atUs));
  }

  flush(): void {
    for (const { gatewayId, minute, kind, class: one, count } of this.#counts.values())
      this.#add.run(gatewayId, minute, kind, one, count);
    this.#counts.clear();
  }

  forget(): void {
    this.#waiting.clear();
    this.#forgetCapture();
    this.#counts.clear();
  }

  #countAsked(asked: AskedInCapture): void {
    this.#count(asked, this.#answeredInCapture.has(asked.asker) ? ASKED_BOTH_SIDES : ASKED_ONE_SIDED);
  }

  #forgetCapture(): void {
    this.#answeredInCapture.clear();
    this.#asked.clear();
    this.#askedByKey.clear();
    this.#answers.clear();
    this.#answersWaiting = 0;
  }

  #expire(beforeUs: number): void {
    for (const [key, { atUs }] of this.#waiting) {
      if (atUs >= beforeUs) break;
      this.#giveUp(key);
    }
  }

  #giveUp(key: string): void {
    const asked = this.#waiting.get(key);
    if (asked === undefined) return;
    this.#waiting.delete(key);
    this.#count(asked, ASKED_IN_LINE);
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

function isAnswer(askedUs: number, answeredUs: number): boolean {
  return answeredUs >= askedUs && answeredUs - askedUs <= ANSWER_WITHIN_US;
}
