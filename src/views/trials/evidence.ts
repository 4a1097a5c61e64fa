/**
 * Could both sides of a trial hear the same frames at once, and what did they read? What is stored becomes paired or
 * sequential evidence; what had to be left out is said.
 */

import type { PairedEvidence, Sent, SequentialEvidence } from "../../diagnosis/trials/verdict.ts";
import { contains, intersect, subtract, type TimeRange, totalUs, within } from "../../model/time-range.ts";
import type { Store } from "../../store/open.ts";
import { placements } from "../../store/placements.ts";
import { allGateways } from "../../store/queries/gateways.ts";
import { figure } from "../../words/format.ts";
import type { AskedWindow } from "../window.ts";
import { MAX_FRAMES, type NodeCounters, type SharedFrames } from "./shared-frames.ts";
import { type Receiver, readingOf, type Side } from "./sides.ts";

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

/**
 * Less time together than this is the moment of a change, not a trial side by side; unless both stood together most of
 * the time that is known, as in the first minute of a trial. Chosen.
 */
const MIN_TOGETHER_US = 60_000_000;

export function gather(store: Store, window: AskedWindow, a: Side, b: Side, shared: SharedFrames): Gathered {
  const reservations: string[] = [];
  const { all } = shared;
  if (all.fromUs > window.fromUs)
    reservations.push(`Only the newest ${figure(MAX_FRAMES)} frames of the window were compared.`);
  const usable = (side: Side) => usableStretches(side, shared);
  const ofA = usable(a);
  const ofB = usable(b);
  if (a.gatewayId === null || b.gatewayId === null || ofA.length === 0 || ofB.length === 0)
    return { reservations, controlId: null, trial: { kind: "none" } };
  const nodes = shared.nodes();
  const receiverA = { gatewayId: a.gatewayId, antenna: a.antenna };
  const receiverB = { gatewayId: b.gatewayId, antenna: b.antenna };
  const together = intersect(ofA, ofB);
  const isSame = a.gatewayId === b.gatewayId && a.antenna === b.antenna;
  const togetherUs = totalUs(together);
  const isMostly = togetherUs > 0 && togetherUs >= Math.max(totalUs(ofA), totalUs(ofB)) / 2;
  if (!isSame && (togetherUs >= MIN_TOGETHER_US || isMostly)) {
    if (ofA.length + ofB.length > 2)
      reservations.push("Times at which either gateway was unreachable, or not placed so, were left out.");
    return {
      reservations,
      controlId: null,
      trial: {
        kind: "paired",
        evidence: pairedEvidence(shared, together, receiverA, receiverB, reservations),
      },
    };
  }
  const controlId = controlOf(store, nodes, [...ofA, ...ofB], a, b);
  return {
    reservations,
    controlId,
    trial: {
      kind: "sequential",
      evidence: sequentialEvidence(shared, nodes, { ofA, ofB, receiverA, receiverB, controlId }),
    },
  };
}

/** When a side stood as said and its gateway was reachable. */
function usableStretches(side: Side, shared: SharedFrames): TimeRange[] {
  const unheard = side.gatewayId === null ? null : shared.unheardUs(side.gatewayId);
  return unheard === null ? [] : subtract(intersect(side.stretches, [shared.all]), unheard);
}

function pairedEvidence(
  shared: SharedFrames,
  together: readonly TimeRange[],
  receiverA: Receiver,
  receiverB: Receiver,
  reservations: string[],
): PairedEvidence {
  const ofA = shared.readingsOf(receiverA);
  const ofB = shared.readingsOf(receiverB);
  const read = shared.nodes().map(({ devAddr, name, counters }, node) => {
    const sent: Sent[] = [];
    for (const [i, { atUs, rate, frequencyHz }] of counters.entries())
      if (contains(together, atUs))
        sent.push({ atUs, rate, frequencyHz, a: ofA[node]?.[i] ?? null, b: ofB[node]?.[i] ?? null });
    return { devAddr, name, sent };
  });
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
      return [{ devAddr, name, a, b, powerChangesUs: lifeIds.flatMap((id) => shared.powerChangesUs(id)) }];
    }),
  };
}
