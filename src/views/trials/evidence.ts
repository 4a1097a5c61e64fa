/**
 * Could both sides of a trial hear the same frames at once, and what did they read? What is stored becomes paired or
 * sequential evidence; what had to be left out is said.
 */

import type { PairedEvidence, SequentialEvidence } from "../../diagnosis/trials/verdict.ts";
import { formatDevAddr } from "../../model/identifiers.ts";
import { intersect, subtract, type TimeRange, unite } from "../../model/time-range.ts";
import type { Store } from "../../store/open.ts";
import { placements } from "../../store/placements.ts";
import { allGateways } from "../../store/queries/gateways.ts";
import { allLives, labels, storedSpanUs } from "../../store/queries/lives.ts";
import {
  framesWithCommands,
  newestFrames,
  type TrialFrame,
  trialFrames,
} from "../../store/queries/trial-frames.ts";
import { decodeMacCommands } from "../../wire/lorawan/mac-commands.ts";
import { decodePhyPayload } from "../../wire/lorawan/phy-payload.ts";
import { figure } from "../../words/format.ts";
import { reachOf } from "../reachability.ts";
import type { AskedWindow } from "../window.ts";
import { type CounterSent, countersOf, type Receiver, readingOf, type Side, within } from "./sides.ts";

// When may the network have changed a node's transmit power? When the node accepted a LinkADRReq.

/** Answers read of one life: a network that commands more often than this leaves nothing to compare. */
const MAX_READ = 300;

/**
 * Moments in order. LoRaWAN 1.0.3, section 5.2: the answer says which of power, data rate and channels were accepted, not
 * which changed, and the request itself went down unheard; so every accepted one counts. FOpts of 1.1 are encrypted, and
 * what does not read to its end as commands is left out.
 */
function powerChangesUs(store: Store, lifeId: number, window: TimeRange): number[] {
  return framesWithCommands(store, lifeId, window, MAX_READ)
    .flatMap(({ atUs, payload }) => (acceptsPower(payload) ? [atUs] : []))
    .reverse();
}

function acceptsPower(payload: Uint8Array): boolean {
  const decoded = decodePhyPayload(payload);
  if (!decoded.ok || !("fOpts" in decoded.value)) return false;
  const { commands, stop } = decodeMacCommands(decoded.value.fOpts, "up");
  if (stop !== null) return false;
  // When any part is refused the node changes nothing (LoRaWAN 1.0.3, section 5.2).
  return commands.some(
    ({ name, powerAck, dataRateAck, channelMaskAck }) =>
      name === "LinkADRAns" && powerAck === true && dataRateAck === true && channelMaskAck === true,
  );
}

export interface Gathered {
  readonly reservations: readonly string[];
  /** Row id of the gateway that stood still; null: none. */
  readonly controlId: number | null;
  readonly trial:
    | { readonly kind: "paired"; readonly evidence: PairedEvidence }
    | { readonly kind: "sequential"; readonly evidence: SequentialEvidence }
    /** The one stood where it stood before anything of the other is known. */
    | { readonly kind: "none" };
}

/** Frames of one trial: about a second of work. */
const MAX_FRAMES = 60_000;
/** Nodes of one trial, those with most frames. */
const MAX_NODES = 100;
/**
 * Less time together than this is the moment of a change, not a trial side by side; unless both stood together most of
 * the time that is known, as in the first minute of a trial. Chosen.
 */
const MIN_TOGETHER_US = 60_000_000;

/** What the trials of one answer share: all are read from one stretch of frames. */
export class SharedFrames {
  readonly #store: Store;
  #nodes: { readonly key: string; readonly nodes: readonly NodeCounters[] } | null = null;
  #begin: { readonly key: string; readonly fromUs: number } | null = null;
  readonly #powerChangesUs = new Map<number, readonly number[]>();

  constructor(store: Store) {
    this.#store = store;
  }

  /** Where the newest frames of a window begin that are compared. */
  fromUs(window: TimeRange): number {
    const key = `${window.fromUs}/${window.toUs}`;
    if (this.#begin?.key !== key)
      this.#begin = { key, fromUs: newestFrames(this.#store, window, MAX_FRAMES) };
    return this.#begin.fromUs;
  }

  nodes(all: TimeRange): readonly NodeCounters[] {
    const key = `${all.fromUs}/${all.toUs}`;
    if (this.#nodes?.key !== key) {
      this.#powerChangesUs.clear();
      this.#nodes = { key, nodes: nodesOf(this.#store, trialFrames(this.#store, all)) };
    }
    return this.#nodes.nodes;
  }

  /** Of the stretch whose nodes were asked for last. */
  powerChangesUs(lifeId: number, all: TimeRange): readonly number[] {
    let changes = this.#powerChangesUs.get(lifeId);
    if (changes === undefined) {
      changes = powerChangesUs(this.#store, lifeId, all);
      this.#powerChangesUs.set(lifeId, changes);
    }
    return changes;
  }
}

export function gather(
  store: Store,
  window: AskedWindow,
  a: Side,
  b: Side,
  shared: SharedFrames = new SharedFrames(store),
): Gathered {
  const reservations: string[] = [];
  const stored = storedSpanUs(store);
  const endUs = window.live ? window.toUs : Math.min(window.toUs, (stored?.toUs ?? window.toUs) + 1);
  const fromUs = shared.fromUs({ fromUs: window.fromUs, toUs: endUs });
  if (fromUs > window.fromUs)
    reservations.push(`Only the newest ${figure(MAX_FRAMES)} frames of the window were compared.`);
  const all = { fromUs, toUs: endUs };
  const usable = (side: Side) => usableStretches(store, side, all, endUs);
  const ofA = usable(a);
  const ofB = usable(b);
  if (a.gatewayId === null || b.gatewayId === null || ofA.length === 0 || ofB.length === 0)
    return { reservations, controlId: null, trial: { kind: "none" } };
  const nodes = shared.nodes(all);
  const receiverA = { gatewayId: a.gatewayId, antenna: a.antenna };
  const receiverB = { gatewayId: b.gatewayId, antenna: b.antenna };
  const together = intersect(ofA, ofB);
  const isSame = a.gatewayId === b.gatewayId && a.antenna === b.antenna;
  const togetherUs = lengthUs(together);
  const isMostly = togetherUs > 0 && togetherUs >= Math.max(lengthUs(ofA), lengthUs(ofB)) / 2;
  if (!isSame && (togetherUs >= MIN_TOGETHER_US || isMostly)) {
    if (ofA.length + ofB.length > 2)
      reservations.push("Times at which either gateway was unreachable, or not placed so, were left out.");
    return {
      reservations,
      controlId: null,
      trial: {
        kind: "paired",
        evidence: pairedEvidence(nodes, together, receiverA, receiverB, reservations),
      },
    };
  }
  const controlId = controlOf(store, nodes, [...ofA, ...ofB], a, b);
  return {
    reservations,
    controlId,
    trial: {
      kind: "sequential",
      evidence: sequentialEvidence(shared, all, nodes, { ofA, ofB, receiverA, receiverB, controlId }),
    },
  };
}

function lengthUs(stretches: readonly TimeRange[]): number {
  return stretches.reduce((sum, { fromUs, toUs }) => sum + toUs - fromUs, 0);
}

/** When a side stood as said and its gateway was reachable. */
function usableStretches(store: Store, side: Side, all: TimeRange, endUs: number): TimeRange[] {
  const gateway = allGateways(store).find(({ id }) => id === side.gatewayId);
  if (gateway === undefined) return [];
  const reach = reachOf(store, gateway, all, endUs);
  const absent = { fromUs: Number.NEGATIVE_INFINITY, toUs: reach.absentUntilUs };
  return subtract(intersect(side.stretches, [all]), unite([absent, ...reach.outages, ...reach.notRecorded]));
}

interface NodeCounters {
  readonly devAddr: string;
  readonly name: string | null;
  readonly lifeIds: readonly number[];
  readonly counters: readonly CounterSent[];
}

/** Counters by node, over its lives, in order of time. */
function nodesOf(store: Store, frames: readonly TrialFrame[]): NodeCounters[] {
  const names = labels(store, "node");
  const addresses = new Map(allLives(store).map(({ id, devAddr }) => [id, devAddr]));
  const byLife = new Map<number, TrialFrame[]>();
  for (const frame of frames) {
    const own = byLife.get(frame.lifeId);
    if (own === undefined) byLife.set(frame.lifeId, [frame]);
    else own.push(frame);
  }
  const nodes = new Map<string, { lifeIds: number[]; counters: CounterSent[] }>();
  for (const [lifeId, own] of byLife) {
    const address = addresses.get(lifeId);
    if (address === undefined) continue;
    const devAddr = formatDevAddr(address);
    const node = nodes.get(devAddr) ?? { lifeIds: [], counters: [] };
    node.lifeIds.push(lifeId);
    node.counters.push(...countersOf(own));
    nodes.set(devAddr, node);
  }
  return [...nodes]
    .map(([devAddr, { lifeIds, counters }]) => ({
      devAddr,
      name: names.get(devAddr)?.name ?? null,
      lifeIds,
      counters: counters.sort((x, y) => x.atUs - y.atUs),
    }))
    .sort((x, y) => y.counters.length - x.counters.length || x.devAddr.localeCompare(y.devAddr))
    .slice(0, MAX_NODES);
}

function pairedEvidence(
  nodes: readonly NodeCounters[],
  together: readonly TimeRange[],
  receiverA: Receiver,
  receiverB: Receiver,
  reservations: string[],
): PairedEvidence {
  const read = nodes.map(({ devAddr, name, counters }) => ({
    devAddr,
    name,
    sent: within(counters, together).map(({ hearings, ...sent }) => ({
      ...sent,
      a: readingOf(hearings, receiverA, sent.rate),
      b: readingOf(hearings, receiverB, sent.rate),
    })),
  }));
  const deaf = oneSidedChannels(read.flatMap(({ sent }) => sent));
  if (deaf.size > 0) {
    const list = [...deaf].map((hz) => `${hz / 1e6}`).join(", ");
    reservations.push(
      `Left out: ${list}\u202FMHz, where one side never heard anything although the other did: its channels differ, not its place.`,
    );
  }
  return {
    nodes: read
      .map((node) => ({
        ...node,
        sent: node.sent.filter(({ frequencyHz }) => frequencyHz === null || !deaf.has(frequencyHz)),
      }))
      .filter(({ sent }) => sent.some(({ a, b }) => a !== null || b !== null)),
  };
}

/** A channel counts as not listened to after so many frames that the other side alone heard. Chosen. */
const DEAF_AFTER = 20;

function oneSidedChannels(
  sent: readonly { readonly frequencyHz: number | null; readonly a: unknown; readonly b: unknown }[],
): Set<number> {
  const heard = new Map<number, { a: number; b: number }>();
  for (const { frequencyHz, a, b } of sent) {
    if (frequencyHz === null) continue;
    const counts = heard.get(frequencyHz) ?? { a: 0, b: 0 };
    if (a !== null) counts.a += 1;
    if (b !== null) counts.b += 1;
    heard.set(frequencyHz, counts);
  }
  const all = [...heard];
  const hearsElsewhere = (side: "a" | "b") =>
    all.filter(([, counts]) => counts[side] >= DEAF_AFTER / 4).length > 0;
  return new Set(
    all
      .filter(
        ([, { a, b }]) =>
          (a === 0 && b >= DEAF_AFTER && hearsElsewhere("a")) ||
          (b === 0 && a >= DEAF_AFTER && hearsElsewhere("b")),
      )
      .map(([frequencyHz]) => frequencyHz),
  );
}

/**
 * A gateway that takes no part, was not moved meanwhile, and heard most of the nodes' frames in both periods; the one
 * that heard most. Null: there is none.
 */
function controlOf(
  store: Store,
  nodes: readonly NodeCounters[],
  periods: readonly TimeRange[],
  a: Side,
  b: Side,
): number | null {
  const from = Math.min(...periods.map(({ fromUs }) => fromUs));
  const to = Math.max(...periods.map(({ toUs }) => toUs));
  const moved = new Set(
    placements(store)
      .filter(({ fromUs }) => fromUs > from && fromUs < to)
      .map(({ gatewayEui }) => gatewayEui),
  );
  const candidates = allGateways(store).filter(
    ({ id, eui }) => id !== a.gatewayId && id !== b.gatewayId && !moved.has(eui),
  );
  let best: { id: number; heard: number } | null = null;
  const sent = nodes.flatMap(({ counters }) => counters);
  for (const { id } of candidates) {
    const heard = sent.filter(({ hearings }) => hearings.some(({ gatewayId }) => gatewayId === id)).length;
    if (heard > sent.length / 4 && heard > (best?.heard ?? 0)) best = { id, heard };
  }
  return best?.id ?? null;
}

interface Periods {
  readonly ofA: readonly TimeRange[];
  readonly ofB: readonly TimeRange[];
  readonly receiverA: Receiver;
  readonly receiverB: Receiver;
  readonly controlId: number | null;
}

function sequentialEvidence(
  shared: SharedFrames,
  all: TimeRange,
  nodes: readonly NodeCounters[],
  { ofA, ofB, receiverA, receiverB, controlId }: Periods,
): SequentialEvidence {
  return {
    hasControl: controlId !== null,
    nodes: nodes.flatMap(({ devAddr, name, lifeIds, counters }) => {
      const arm = (stretches: readonly TimeRange[], receiver: Receiver) =>
        within(counters, stretches).map(({ hearings, ...sent }) => ({
          ...sent,
          heard: readingOf(hearings, receiver, sent.rate),
          control:
            controlId === null
              ? null
              : readingOf(hearings, { gatewayId: controlId, antenna: null }, sent.rate),
        }));
      const a = arm(ofA, receiverA);
      const b = arm(ofB, receiverB);
      const isHeard = [...a, ...b].some(({ heard }) => heard !== null);
      if (!isHeard || a.length === 0 || b.length === 0) return [];
      return [
        { devAddr, name, a, b, powerChangesUs: lifeIds.flatMap((id) => shared.powerChangesUs(id, all)) },
      ];
    }),
  };
}
