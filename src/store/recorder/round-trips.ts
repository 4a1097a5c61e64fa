/**
 * How long did the acknowledgements of PUSH_DATA and PULL_DATA take, and how many never came? A relay sees both; so may
 * a capture. Paired by gateway's address, kind and token within two seconds, newest first; counted by minute and class.
 * A capture may hold them in any order: there both wait for each other until its end. What waits outlives a commit, also
 * another process's; a commit that failed leaves it as it was before.
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
/** Of a full list of a capture the oldest of these leave together: the way to the first of a Set leads over all that left. */
const LEAVE_TOGETHER = 1_000;

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
  /** How to take back each change of the above since the last commit, in the order in which they were made. */
  readonly #undo: (() => void)[] = [];
  readonly #counts = new Map<
    string,
    { gatewayId: number; minute: number; kind: number; class: number; count: number }
  >();
  readonly #add: Statement;

  constructor(db: Store) {
    this.#add = db.prepare(
      `INSERT INTO round_trip_minute (gateway_id, minute, kind, class, count)
       SELECT id, ?, ?, ?, ? FROM gateway WHERE id = ?
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
    this.#wait(key, { gatewayId, asker, kind, atUs });
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
    this.#waitNoLonger(key, asked);
    this.#count(asked, ASKED_IN_LINE);
    this.#count(asked, roundTripClass(atUs - asked.atUs));
  }

  /** A capture has been read to its end: what still waits there is not answered any more. */
  endOfCapture(): void {
    for (const asked of this.#asked) this.#countAsked(asked);
    const answered = [...this.#answeredInCapture];
    const asked = [...this.#asked];
    const byKey = [...this.#askedByKey];
    const answers = [...this.#answers];
    const answersWaiting = this.#answersWaiting;
    this.#undo.push(() => {
      for (const one of answered) this.#answeredInCapture.add(one);
      for (const one of asked) this.#asked.add(one);
      for (const [key, value] of byKey) this.#askedByKey.set(key, value);
      for (const [key, value] of answers) this.#answers.set(key, value);
      this.#answersWaiting = answersWaiting;
    });
    this.#answeredInCapture.clear();
    this.#asked.clear();
    this.#askedByKey.clear();
    this.#answers.clear();
    this.#answersWaiting = 0;
  }

  #askedInCapture(asked: AskedInCapture): void {
    const answers = this.#answers.get(asked.key) ?? [];
    const fitting = answers.filter((atUs) => isAnswer(asked.atUs, atUs));
    if (fitting.length > 0) {
      const atUs = Math.min(...fitting);
      const at = answers.indexOf(atUs);
      this.#setAnswers(
        asked.key,
        answers.filter((_, i) => i !== at),
      );
      this.#countPair(asked, atUs);
      return;
    }
    this.#asked.add(asked);
    this.#setAsked(asked.key, [...(this.#askedByKey.get(asked.key) ?? []), asked]);
    this.#undo.push(() => this.#asked.delete(asked));
    if (this.#asked.size <= MAX_WAITING) return;
    for (const oldest of firstOf(this.#asked)) {
      this.#take(oldest);
      this.#countAsked(oldest);
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
    this.#setAnswers(key, [...(this.#answers.get(key) ?? []), atUs]);
    if (this.#answersWaiting <= MAX_WAITING) return;
    for (const oldest of firstOf(this.#answers.keys())) this.#setAnswers(oldest, []);
  }

  /** It waits no longer. */
  #take(asked: AskedInCapture): void {
    this.#asked.delete(asked);
    this.#undo.push(() => this.#asked.add(asked));
    const left = (this.#askedByKey.get(asked.key) ?? []).filter((one) => one !== asked);
    this.#setAsked(asked.key, left);
  }

  #setAsked(key: string, asked: AskedInCapture[]): void {
    const before = this.#askedByKey.get(key);
    this.#undo.push(() => setOrDelete(this.#askedByKey, key, before ?? []));
    setOrDelete(this.#askedByKey, key, asked);
  }

  #setAnswers(key: string, answersUs: number[]): void {
    const before = this.#answers.get(key) ?? [];
    const more = answersUs.length - before.length;
    this.#undo.push(() => {
      setOrDelete(this.#answers, key, before);
      this.#answersWaiting -= more;
    });
    setOrDelete(this.#answers, key, answersUs);
    this.#answersWaiting += more;
  }

  #wait(key: string, asked: Waiting): void {
    this.#waiting.set(key, asked);
    this.#undo.push(() => this.#waiting.delete(key));
  }

  #waitNoLonger(key: string, asked: Waiting): void {
    this.#waiting.delete(key);
    this.#undo.push(() => this.#waiting.set(key, asked));
  }

  #countPair(asked: AskedInCapture, answeredUs: number): void {
    const { asker } = asked;
    if (!this.#answeredInCapture.has(asker)) {
      this.#answeredInCapture.add(asker);
      this.#undo.push(() => this.#answeredInCapture.delete(asker));
    }
    this.#countAsked(asked);
    this.#count(asked, roundTripClass(answeredUs - asked.atUs));
  }

  flush(): void {
    for (const { gatewayId, minute, kind, class: one, count } of this.#counts.values())
      this.#add.run(minute, kind, one, count, gatewayId);
    this.#counts.clear();
  }

  /** The commit holds: what changed since the last one stays. */
  committed(): void {
    this.#undo.length = 0;
  }

  /** The commit failed: all waits again that waited before, and nothing else. Without a change since: does nothing. */
  rollBack(): void {
    while (this.#undo.length > 0) this.#undo.pop()?.();
    this.#counts.clear();
  }

  #countAsked(asked: AskedInCapture): void {
    this.#count(asked, this.#answeredInCapture.has(asked.asker) ? ASKED_BOTH_SIDES : ASKED_ONE_SIDED);
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
    this.#waitNoLonger(key, asked);
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

function firstOf<T>(values: Iterable<T>): T[] {
  const first: T[] = [];
  for (const value of values) {
    first.push(value);
    if (first.length === LEAVE_TOGETHER) break;
  }
  return first;
}

function isAnswer(askedUs: number, answeredUs: number): boolean {
  return answeredUs >= askedUs && answeredUs - askedUs <= ANSWER_WITHIN_US;
}

function setOrDelete<T>(map: Map<string, T[]>, key: string, values: T[]): void {
  if (values.length === 0) map.delete(key);
  else map.set(key, values);
}
