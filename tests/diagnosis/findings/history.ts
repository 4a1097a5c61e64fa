/**
 * Hand-made histories of a small site, by arithmetic of their own: nodes that send in their rhythm, one gateway, fading,
 * noise by channel, collisions with capture, deafness while transmitting. Nothing of the simulator is used, so that the
 * findings are judged by a second opinion. Physics from textbooks: thermal noise with a noise figure of 6 dB in 125 kHz
 * (-117 dBm), the demodulation floors of the SX1276 data sheet, 6 dB of capture (Goursaud and Gorce 2015).
 */

import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import {
  draftOf,
  type GapDraft,
  newLifeWatch,
  openSilence,
  rhythmOfLife,
  watchCounter,
} from "../../../src/ledger/gaps/gap-detector.ts";
import type {
  GapJudgement,
  NextLife,
  Scene,
  SceneGateway,
  SceneReception,
  SceneReport,
} from "../../../src/model/gap.ts";
import type { TimeRange } from "../../../src/model/time-range.ts";

export const S = 1_000_000;
export const MINUTE = 60 * S;
export const HOUR = 3_600 * S;
const NOISE_DBM = -117;
const FLOOR_DB: Readonly<Record<number, number>> = { 7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20 };
const AIRTIME_US: Readonly<Record<number, number>> = {
  7: 56_600,
  8: 102_900,
  9: 185_300,
  10: 370_700,
  11: 741_400,
  12: 1_318_900,
};
export const EIGHT = [867.1, 867.3, 867.5, 867.7, 867.9, 868.1, 868.3, 868.5].map((mhz) => mhz * 1e6);

export interface Node {
  readonly id: number;
  readonly periodUs: number;
  readonly spreadingFactor: number;
  /** Median SNR at the gateway. */
  readonly snrDb: number;
  readonly fadingDb: number;
  readonly jitterShare: number;
  readonly channels: readonly number[];
  readonly counter: number;
}

export interface Faults {
  /** dB taken from the node's signal. */
  readonly weaker?: (node: Node, atUs: number) => number;
  /** Rise of the noise, dB. */
  readonly noiseRise?: (frequencyHz: number, atUs: number) => number;
  /** The node does not send; its counter stands. */
  readonly silent?: (node: Node, atUs: number) => boolean;
  /** Spreading factor that the node sends with; null: its own. */
  readonly factorOf?: (node: Node, atUs: number) => number | null;
  readonly channelsOf?: (node: Node, atUs: number) => readonly number[];
  readonly listensTo?: (frequencyHz: number, atUs: number) => boolean;
  readonly outages?: readonly (TimeRange & { readonly restarted: boolean | null })[];
  readonly transmissions?: readonly TimeRange[];
  /** When the concentrator's counter restarted. */
  readonly restartsUs?: readonly number[];
  /** Times in which the radio hears nothing; keepalives and reports go on. */
  readonly deaf?: readonly TimeRange[];
  /** The gateway sends a status report every 30 s that counts what its radio delivered. */
  readonly reports?: boolean;
  /** Default: true. */
  readonly tellsCounter?: boolean;
  /** Share of datagrams lost on the way. */
  readonly lossyWay?: (atUs: number) => number;
  readonly joins?: readonly { readonly devEui: string; readonly atUs: number; readonly snrDb: number }[];
}

export interface History {
  readonly receptions: readonly SceneReception[];
  readonly nodes: readonly Node[];
  readonly endUs: number;
  readonly faults: Faults;
  readonly keepalivesUs: readonly number[];
  readonly reports: readonly SceneReport[];
}

/** Mulberry32, a public-domain generator. */
export function chance(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4_294_967_296;
  };
}

/** A normal deviate (Box and Muller 1958). */
export function normal(random: () => number): number {
  return Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());
}

export function someNodes(count: number, seed: number, change: Partial<Node> = {}): Node[] {
  const random = chance(seed * 7919 + 1);
  return Array.from({ length: count }, (_, i) => ({
    id: i + 1,
    periodUs: (120 + Math.floor(random() * 480)) * S,
    spreadingFactor: 7 + Math.floor(random() * 4),
    snrDb: Math.round(random() * 14 - 4),
    fadingDb: 1 + random() * 1.5,
    jitterShare: 0.01 + random() * 0.04,
    channels: EIGHT,
    counter: Math.floor(random() * 5_000),
    ...change,
  }));
}

interface Sent {
  node: Node;
  counter: number;
  endUs: number;
  frequencyHz: number;
  powerDbm: number;
  airtimeUs: number;
}

export function play(nodes: readonly Node[], endUs: number, faults: Faults, seed: number): History {
  const random = chance(seed);
  const sent: Sent[] = [];
  for (const node of nodes) {
    let counter = node.counter;
    for (let atUs = random() * node.periodUs; atUs < endUs; ) {
      if (faults.silent?.(node, atUs) !== true) {
        const channels = faults.channelsOf?.(node, atUs) ?? node.channels;
        const fade = normal(random) * node.fadingDb - (faults.weaker?.(node, atUs) ?? 0);
        const spreadingFactor = faults.factorOf?.(node, atUs) ?? node.spreadingFactor;
        sent.push({
          node: { ...node, spreadingFactor },
          counter,
          endUs: Math.round(atUs),
          frequencyHz: channels[Math.floor(random() * channels.length)] ?? 0,
          powerDbm: NOISE_DBM + node.snrDb + fade,
          airtimeUs: AIRTIME_US[spreadingFactor] ?? 0,
        });
        counter += 1;
      }
      atUs += node.periodUs * (1 + node.jitterShare * normal(random));
    }
  }
  sent.sort((a, b) => a.endUs - b.endUs);
  const keepalivesUs: number[] = [];
  for (let atUs = 0; atUs < endUs; atUs += 10 * S) {
    if (isOut(faults, atUs) || random() < (faults.lossyWay?.(atUs) ?? 0)) continue;
    keepalivesUs.push(atUs);
  }
  const { receptions, deliveredUs } = receive(sent, faults, random);
  const reports = reportsOf(deliveredUs, endUs, faults, random);
  return { receptions, nodes, endUs, faults, keepalivesUs, reports };
}

/** Every 30 s, of what the radio delivered since the one before, lost on the way as everything else. */
function reportsOf(
  deliveredUs: readonly number[],
  endUs: number,
  faults: Faults,
  random: () => number,
): SceneReport[] {
  const reports: SceneReport[] = [];
  if (faults.reports !== true) return reports;
  let next = 0;
  for (let atUs = 30 * S; atUs < endUs; atUs += 30 * S) {
    const first = next;
    while ((deliveredUs[next] ?? Infinity) <= atUs) next += 1;
    const received = next - first;
    if (isOut(faults, atUs) || random() < (faults.lossyWay?.(atUs) ?? 0)) continue;
    const ackPercent = 100 * (1 - (faults.lossyWay?.(atUs) ?? 0));
    reports.push({ atUs, received, crcOk: received, forwarded: received, emitted: 0, ackPercent });
  }
  return reports;
}

function isOut({ outages = [] }: Faults, atUs: number): boolean {
  return outages.some(({ fromUs, toUs }) => atUs > fromUs && atUs < toUs);
}

function receive(
  sent: readonly Sent[],
  faults: Faults,
  random: () => number,
): { receptions: SceneReception[]; deliveredUs: number[] } {
  const receptions: SceneReception[] = [];
  const deliveredUs: number[] = [];
  sent.forEach((one, i) => {
    const { frequencyHz, endUs, airtimeUs, node } = one;
    const noise = NOISE_DBM + (faults.noiseRise?.(frequencyHz, endUs) ?? 0);
    const snr = one.powerDbm - noise;
    const weak = snr < (FLOOR_DB[node.spreadingFactor] ?? 0) + 0.7 * normal(random);
    const deaf = faults.transmissions?.some(({ fromUs, toUs }) => fromUs < endUs && toUs > endUs - airtimeUs);
    const collided = neighboursOf(sent, i).some(
      (other) =>
        other.frequencyHz === frequencyHz &&
        other.node.spreadingFactor === node.spreadingFactor &&
        other.endUs - other.airtimeUs < endUs &&
        other.endUs > endUs - airtimeUs &&
        one.powerDbm - other.powerDbm < 6,
    );
    const heard = faults.listensTo?.(frequencyHz, endUs) ?? true;
    const isHung = faults.deaf?.some(({ fromUs, toUs }) => fromUs < endUs && toUs > endUs) === true;
    if (weak || deaf === true || isHung || !heard || isOut(faults, endUs)) return;
    deliveredUs.push(endUs);
    if (random() < (faults.lossyWay?.(endUs) ?? 0)) return;
    receptions.push(received(one, snr, noise, !collided));
  });
  for (const { devEui, atUs, snrDb } of faults.joins ?? []) {
    receptions.push({ ...blank(atUs), joinEui: devEui, snrDb, rssiDbm: NOISE_DBM + snrDb + 1 });
  }
  return { receptions: receptions.sort((a, b) => a.atUs - b.atUs), deliveredUs };
}

function neighboursOf(sent: readonly Sent[], i: number): Sent[] {
  const near: Sent[] = [];
  const at = sent[i]?.endUs ?? 0;
  for (let k = i - 1; k >= 0 && at - (sent[k]?.endUs ?? 0) < 3 * S; k--) near.push(sent[k] as Sent);
  for (let k = i + 1; k < sent.length && (sent[k]?.endUs ?? 0) - at < 3 * S; k++) near.push(sent[k] as Sent);
  return near;
}

function blank(atUs: number): SceneReception {
  return {
    atUs,
    gatewayId: 1,
    tmstUs: null,
    crcOk: true,
    devAddr: null,
    lifeId: null,
    counter: null,
    repeat: false,
    joinEui: null,
    frequencyHz: 868_100_000,
    spreadingFactor: 9,
    dataRate: 90_125_000,
    rssiDbm: null,
    signalRssiDbm: null,
    snrDb: null,
    airtimeUs: 185_300,
  };
}

function received(
  { node, counter, endUs, frequencyHz, powerDbm, airtimeUs }: Sent,
  snr: number,
  noise: number,
  ok: boolean,
): SceneReception {
  const linear = (db: number) => 10 ** (db / 10);
  return {
    ...blank(endUs),
    crcOk: ok,
    devAddr: ok ? node.id : null,
    lifeId: ok ? node.id : null,
    counter: ok ? counter : null,
    frequencyHz,
    spreadingFactor: node.spreadingFactor,
    dataRate: node.spreadingFactor * 10_000_000 + 125_000,
    // The estimator saturates (common practice).
    snrDb: Math.round(Math.min(snr, 11 + 0.1 * (snr - 11)) * 10) / 10,
    rssiDbm: Math.round(10 * Math.log10(linear(powerDbm) + linear(noise))),
    airtimeUs,
  };
}

export interface Found {
  readonly node: Node;
  readonly gap: GapDraft;
  readonly scene: Scene;
  readonly judgement: GapJudgement;
}

/** The gaps of the nodes and what is made of them; those that chance may have made are left out. */
export function findingsOf(
  history: History,
  only?: readonly number[],
  next: ReadonlyMap<number, NextLife> = new Map(),
): Found[] {
  return history.nodes
    .filter(({ id }) => only === undefined || only.includes(id))
    .flatMap((node) =>
      gapsOf(history, node, next.get(node.id)).map((gap) => {
        const scene = sceneOf(history, node, gap, next.get(node.id) ?? null);
        return { node, gap, scene, judgement: judgeGap(scene) };
      }),
    )
    .filter(({ judgement }) => !judgement.isChance);
}

export function gapsOf({ receptions, faults, endUs }: History, node: Node, next?: NextLife): GapDraft[] {
  const watch = newLifeWatch();
  const found = new Map<string, GapDraft>();
  const outOfReach = () => faults.outages ?? [];
  for (const { lifeId, counter, atUs } of receptions) {
    if (lifeId !== node.id || counter === null) continue;
    const drafts = watchCounter(watch, { counter, atUs, gatewayIds: [1] }, (_, stretch) =>
      outOfReach().filter(({ fromUs, toUs }) => fromUs < stretch.toUs && toUs > stretch.fromUs),
    );
    for (const draft of drafts) found.set(`${draft.tag}/${draft.fromUs}`, draft);
  }
  if (watch.loss.episode !== null) {
    const draft = draftOf(watch.loss.episode, rhythmOfLife(watch)?.medianUs ?? null, false);
    found.set(`${draft.tag}/${draft.fromUs}`, draft);
  }
  if (next !== undefined) {
    const rhythm = rhythmOfLife(watch);
    const elapsed = next.firstAtUs - watch.lastAtUs;
    found.set("end", {
      tag: "run",
      kind: rhythm !== null && elapsed > rhythm.silenceUs ? "silence" : "counters",
      open: false,
      final: true,
      fromUs: watch.lastAtUs,
      toUs: next.firstAtUs,
      missed: 0,
      firstMissed: null,
      lastMissed: null,
      heard: 0,
      expectedByRhythm: rhythm === null ? null : elapsed / rhythm.medianUs,
      rhythmUs: rhythm?.medianUs ?? null,
      lacking: 0,
    });
  } else {
    const silence = openSilence(watch, endUs);
    if (silence !== null) found.set("open", silence);
  }
  return [...found.values()];
}

/** As the store gives it: where every other one is lost, twice the interval that the gateway keeps. */
function medianSpacing(times: readonly number[]): number {
  const spacings = times.slice(1).map((atUs, i) => atUs - (times[i] ?? 0));
  return spacings.sort((a, b) => a - b)[Math.floor(spacings.length / 2)] ?? 10 * S;
}

function sceneOf(history: History, node: Node, gap: GapDraft, nextLife: NextLife | null): Scene {
  const { receptions, faults, endUs, keepalivesUs } = history;
  const rhythm = gap.rhythmUs ?? 10 * MINUTE;
  const before = { fromUs: Math.max(0, gap.fromUs - Math.max(6 * HOUR, 60 * rhythm)), toUs: gap.fromUs };
  const within = { fromUs: gap.fromUs, toUs: Math.min(gap.toUs, gap.fromUs + 12 * HOUR) };
  const cut = within.toUs < gap.toUs || gap.open;
  const after = {
    fromUs: within.toUs,
    toUs: cut ? within.toUs : Math.min(endUs, gap.toUs + Math.max(HOUR / 4, 8 * rhythm)),
  };
  const inside = (atUs: number) => atUs >= before.fromUs && atUs <= after.toUs;
  const gateway: SceneGateway = {
    id: 1,
    eui: "02005E1000000001",
    outages: (faults.outages ?? [])
      .filter(({ fromUs, toUs }) => fromUs < after.toUs && toUs > before.fromUs)
      .map((out) => ({ ...out, open: false })),
    notRecorded: [],
    restartsUs: faults.restartsUs ?? [],
    tellsCounter: faults.tellsCounter ?? true,
    keepaliveUs: medianSpacing(keepalivesUs.filter(inside)),
    keepalivesUs: keepalivesUs.filter(inside),
    reports: history.reports.filter(({ atUs }) => inside(atUs)),
    transmissions: faults.transmissions ?? [],
  };
  return {
    gap: { ...gap, devAddr: node.id, life: 1, lifeId: node.id },
    nowUs: endUs,
    nobody: [],
    followed: 1,
    within,
    before,
    after,
    homes: [gateway],
    receptions: receptions.filter(({ atUs }) => inside(atUs)),
    nextLife,
    shared: null,
    successor: null,
    devEui: null,
  };
}
