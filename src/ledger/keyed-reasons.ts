/**
 * Why did a life that a MIC carries begin? One clause each, for people.
 */
import { changeWords, couldBeReset, grouped } from "./counter-fit.ts";
import type { Sender } from "./keyed-proof.ts";
import { type AddressState, isUnproved, type LifeBeginning, type LifeState } from "./life-state.ts";

export interface Beginning {
  readonly begunBy: LifeBeginning;
  readonly reason: string;
}

/** Why does a set of keys begin to be heard under this address? */
export function explainFirst(state: AddressState, sender: Sender, counter32: number): Beginning {
  const counter = grouped(counter32);
  const { devEui } = sender;
  if (sender.joined && devEui !== null) {
    return { begunBy: "join", reason: `counter began at ${counter} in the session that ${devEui} joined` };
  }
  const sameDevice =
    devEui !== null && state.lives.some((life) => !isUnproved(life) && life.devEui === devEui);
  if (sameDevice) {
    return {
      begunBy: "join",
      reason: `counter began at ${counter} in a new session of ${devEui}, proved by its MIC`,
    };
  }
  if (state.lives.length > 0) {
    const reason = `counter ${counter} is proved by other keys than those of the frames before: another device under this address`;
    return { begunBy: "second-device", reason };
  }
  return { begunBy: "first-heard", reason: `first heard with counter ${counter}, proved by its MIC` };
}

/** Why did the counter of one set of keys fall? */
export function explainFall(before: LifeState, atUs: number, counter32: number): Beginning {
  const change = `${changeWords(before.lastCounter, counter32)} under the same session keys`;
  if (couldBeReset(before, before.lastCounter, { counter: counter32, atUs })) {
    return { begunBy: "counter-reset", reason: `${change}: the device began again without a join` };
  }
  return { begunBy: "unexplained", reason: `${change}, too far for the time that passed` };
}

/** A lone counter out of line had begun `life`; the older life that goes on shows that it was no reset. */
export function explainOutOfTime(life: LifeState, older: LifeState): Beginning {
  const reason = `one frame with counter ${grouped(life.lastCounter)} out of its time (replayed, or delivered very late): life ${older.number} went on at ${grouped(older.lastCounter)}`;
  return { begunBy: "unexplained", reason };
}
