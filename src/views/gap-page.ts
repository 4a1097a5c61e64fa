/** One gap laid under its evidence: counters, neighbours, heartbeat, noise, load, margin, transmissions on one axis. */

import type { GapPage } from "../contract/gaps.ts";
import { neighboursMeanwhile } from "../diagnosis/findings/company.ts";
import { signalPowerDbm } from "../diagnosis/findings/observations.ts";
import type { Scene, SceneReception } from "../model/gap.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { rounded } from "../model/rounding.ts";
import { dueTimes, intersect, minuteOf, type TimeRange } from "../model/time-range.ts";
import { linkMarginDb } from "../radio/margin.ts";
import { channelNoiseDbm, NOISE_SNR_MOST_DB } from "../radio/noise.ts";
import { median } from "../statistics/robust.ts";
import { sceneOfGap } from "../store/gaps/gap-context.ts";
import type { Store } from "../store/open.ts";
import { gapById } from "../store/queries/gaps.ts";
import { heartbeatCells } from "../store/queries/gateway-packets.ts";
import { restartsUs } from "../store/queries/gateways.ts";
import { marksIn } from "../store/user-data.ts";
import { dropoutRow } from "./gaps.ts";
import { type GapNames, gapNames, withMark } from "./known-gaps.ts";

import { assertNotRemoved } from "./window.ts";

// The counters of a gap's node and of its neighbours, laid on the gap's axis.

const MAX_COUNTERS = 2_000;
const MAX_NEIGHBOURS = 20;
const MAX_HEARD = 500;

interface Heard {
  readonly counter: number;
  readonly atUs: number;
  readonly gateways: Set<number>;
  readonly repeatsUs: number[];
}

/** Heard counters with who heard them, and missed ones spread evenly between them. */
function countersOnAxis(scene: Scene, axis: TimeRange, names: GapNames): GapPage["counters"] {
  const byCounter = new Map<number, Heard>();
  for (const { lifeId, counter, atUs, gatewayId, repeat, crcOk } of scene.receptions) {
    if (lifeId !== scene.gap.lifeId || counter === null || !crcOk || atUs < axis.fromUs || atUs >= axis.toUs)
      continue;
    const heard = byCounter.get(counter) ?? { counter, atUs, gateways: new Set(), repeatsUs: [] };
    heard.gateways.add(gatewayId);
    if (repeat && heard.repeatsUs.at(-1) !== atUs) heard.repeatsUs.push(atUs);
    byCounter.set(counter, heard);
  }
  const ticks: GapPage["counters"] = [];
  let last: Heard | null = null;
  for (const heard of [...byCounter.values()].sort((a, b) => a.counter - b.counter)) {
    if (last !== null) ticks.push(...missedBetween(last, heard, scene));
    ticks.push({
      counter: heard.counter,
      atMs: heard.atUs / 1000,
      fate: "heard",
      gateways: [...heard.gateways].flatMap((id) => names.gateways.get(id)?.eui ?? []).sort(),
      repeatsAtMs: heard.repeatsUs.map((us) => us / 1000),
    });
    last = heard;
    if (ticks.length > MAX_COUNTERS) break;
  }
  return ticks.slice(0, MAX_COUNTERS);
}

function missedBetween(a: Heard, b: Heard, { gap }: Scene): GapPage["counters"] {
  // A node that did not send missed nothing between its last frame and the few counters after its silence.
  const fromUs = gap.kind === "silence" && a.atUs <= gap.fromUs && b.atUs >= gap.toUs ? gap.toUs : a.atUs;
  const ticks: GapPage["counters"] = [];
  let counter = a.counter;
  for (const atUs of dueTimes({ fromUs, toUs: b.atUs, missed: b.counter - a.counter - 1 })) {
    counter += 1;
    const atMs = Math.max(a.atUs, atUs) / 1000;
    if (ticks.push({ counter, atMs, fate: "missed", gateways: [], repeatsAtMs: [] }) >= MAX_COUNTERS) break;
  }
  return ticks;
}

/**
 * Other nodes as the node's best gateway heard them, the busiest first, with what the finding counts of each. One that
 * the finding does not count, since too little is known of it, has nothing due.
 */
function neighboursOnAxis(
  scene: Scene,
  axis: TimeRange,
  names: GapNames,
): Pick<GapPage, "neighbours" | "neighboursCounted"> {
  const { neighbours, each, nodes, heard, expected } = neighboursMeanwhile(scene);
  const counted = new Map(each.map((one) => [one.lifeId, one]));
  const lanes = [...neighbours]
    .sort(
      (a, b) =>
        Number(counted.has(b.lifeId)) - Number(counted.has(a.lifeId)) ||
        b.frames.length - a.frames.length ||
        a.lifeId - b.lifeId,
    )
    .slice(0, MAX_NEIGHBOURS)
    .map(({ lifeId, devAddr, frames }) => {
      const address = formatDevAddr(devAddr);
      const one = counted.get(lifeId);
      return {
        devAddr: address,
        life: names.lifeNumber(lifeId),
        name: names.nodes.get(address)?.name ?? null,
        heardAtMs: frames
          .filter(({ atUs }) => atUs >= axis.fromUs && atUs < axis.toUs)
          .slice(0, MAX_HEARD)
          .map(({ atUs }) => atUs / 1000),
        expected: Math.round(10 * (one?.expected ?? 0)) / 10,
        heard: one?.heard ?? 0,
      };
    });
  return { neighbours: lanes, neighboursCounted: { nodes, heard, expected: Math.round(expected) } };
}

const MINUTE_US = 60_000_000;
/** Cells of an axis: about two pixels each on a phone. */
const MAX_CELLS = 240;
const MAX_TRANSMISSIONS = 2_000;
const MAX_JOINS = 200;
const MAX_MARKS = 50;

interface Axis {
  readonly fromUs: number;
  readonly toUs: number;
  readonly minutesACell: number;
  readonly cells: number;
}

/** null: there is no such gap. Throws RowsRemoved where its evidence was removed. */
export function gapPage(store: Store, id: string): GapPage | null {
  const gap = gapById(store, id);
  if (gap !== null) assertNotRemoved(store, gap.fromUs);
  const scene = gap === null ? null : sceneOfGap(store, gap);
  if (gap === null || scene === null) return null;
  const names = gapNames(store, Number.MAX_SAFE_INTEGER);
  const axis = axisOf(scene);
  const inAxis = ({ atUs }: { readonly atUs: number }) => atUs >= axis.fromUs && atUs < axis.toUs;
  const receptions = scene.receptions.filter(inAxis);
  return {
    gap: withMark(store, dropoutRow(gap, names, { fromUs: axis.fromUs, toUs: axis.toUs, live: false })),
    axis: {
      fromMs: axis.fromUs / 1000,
      toMs: axis.toUs / 1000,
      cellSeconds: axis.minutesACell * 60,
      cells: axis.cells,
      gapFromMs: gap.fromUs / 1000,
      gapToMs: Math.min(gap.toUs, axis.toUs) / 1000,
    },
    counters: countersOnAxis(scene, axis, names),
    ...neighboursOnAxis(scene, axis, names),
    heartbeat: scene.homes.map((home) => ({
      ...heartbeatOf(store, home, axis),
      gatewayName: names.gatewayNames.get(home.eui) ?? null,
    })),
    noiseDbm: scene.homes.map((home) => ({
      gatewayEui: home.eui,
      gatewayName: names.gatewayNames.get(home.eui) ?? null,
      values: noiseCells(receptions, home.id, axis),
    })),
    load: scene.homes.map((home) => ({
      gatewayEui: home.eui,
      gatewayName: names.gatewayNames.get(home.eui) ?? null,
      values: loadCells(receptions, home, axis),
    })),
    margin: scene.homes.map((home) => ({
      ...marginOf(scene, receptions, home),
      gatewayName: names.gatewayNames.get(home.eui) ?? null,
    })),
    transmissions: scene.homes
      .flatMap(({ eui, transmissions }) =>
        transmissions
          .filter(({ fromUs }) => inAxis({ atUs: fromUs }))
          .map(({ fromUs, toUs }) => ({ gatewayEui: eui, fromMs: fromUs / 1000, toMs: toUs / 1000 })),
      )
      .slice(0, MAX_TRANSMISSIONS),
    joins: receptions
      .flatMap(({ joinEui, atUs }) => (joinEui === null ? [] : [{ devEui: joinEui, atMs: atUs / 1000 }]))
      .slice(0, MAX_JOINS),
    marks: marksIn(store, axis, MAX_MARKS).map(({ atUs, text }) => ({ atMs: atUs / 1000, text })),
  };
}

/** What was looked at, in cells of whole minutes. */
function axisOf({ before, within, after }: Scene): Axis {
  // As much before the gap as the gap is long, an hour at least, as far as it was looked at.
  const lead = Math.max(3_600_000_000, within.toUs - within.fromUs);
  const fromMinute = minuteOf(Math.max(before.fromUs, before.toUs - lead));
  const toMinute = minuteOf(Math.max(after.toUs, within.toUs)) + 1;
  const minutesACell = Math.max(1, Math.ceil((toMinute - fromMinute) / MAX_CELLS));
  const cells = Math.ceil((toMinute - fromMinute) / minutesACell);
  return {
    fromUs: fromMinute * MINUTE_US,
    toUs: (fromMinute + cells * minutesACell) * MINUTE_US,
    minutesACell,
    cells,
  };
}

function heartbeatOf(
  store: Store,
  { id, eui, notRecorded }: Scene["homes"][number],
  axis: Axis,
): Omit<GapPage["heartbeat"][number], "gatewayName"> {
  const fromMinute = minuteOf(axis.fromUs);
  const rows = heartbeatCells(
    store,
    id,
    fromMinute,
    fromMinute + axis.cells * axis.minutesACell,
    axis.minutesACell,
  );
  const lane = (of: (row: (typeof rows)[number]) => number) => {
    const values = new Array<number>(axis.cells).fill(0);
    for (const row of rows) values[row.cell] = of(row);
    return values;
  };
  return {
    gatewayEui: eui,
    keepalives: lane((row) => row.keepalives),
    statusReports: lane((row) => row.statusReports),
    datagrams: lane((row) => row.datagrams),
    receptions: lane((row) => row.receptions),
    crcBad: lane((row) => row.crcBad),
    restartsAtMs: restartsUs(store, id, axis).map((atUs) => atUs / 1000),
    notRecorded: intersect(notRecorded, [axis]).map(({ fromUs, toUs }) => ({
      fromMs: fromUs / 1000,
      toMs: toUs / 1000,
    })),
  };
}

function cellOf(axis: Axis, atUs: number): number {
  return Math.floor((atUs - axis.fromUs) / (axis.minutesACell * MINUTE_US));
}

function noiseCells(receptions: readonly SceneReception[], gatewayId: number, axis: Axis): (number | null)[] {
  const samples: number[][] = Array.from({ length: axis.cells }, () => []);
  for (const { gatewayId: at, crcOk, snrDb, rssiDbm, atUs } of receptions) {
    if (at !== gatewayId || !crcOk || snrDb === null || rssiDbm === null || snrDb > NOISE_SNR_MOST_DB)
      continue;
    samples[cellOf(axis, atUs)]?.push(channelNoiseDbm(rssiDbm, snrDb));
  }
  return samples.map((values) => rounded(median(values), 1));
}

/** Null where nothing of the gateway was recorded in all of the cell: that is no load of zero. */
function loadCells(
  receptions: readonly SceneReception[],
  { id, notRecorded }: Scene["homes"][number],
  axis: Axis,
): (number | null)[] {
  const sums = new Array<number>(axis.cells).fill(0);
  for (const { gatewayId: at, airtimeUs, atUs } of receptions) {
    const cell = cellOf(axis, atUs);
    if (at === id) sums[cell] = (sums[cell] ?? 0) + airtimeUs;
  }
  const cellUs = axis.minutesACell * MINUTE_US;
  return sums.map((sum, cell) => {
    const fromUs = axis.fromUs + cell * cellUs;
    const isUnknown = notRecorded.some((range) => range.fromUs <= fromUs && range.toUs >= fromUs + cellUs);
    return isUnknown ? null : Math.round((sum / cellUs) * 1e4) / 1e4;
  });
}

function marginOf(
  { gap }: Scene,
  receptions: readonly SceneReception[],
  { id, eui }: Scene["homes"][number],
): Omit<GapPage["margin"][number], "gatewayName"> {
  const own = receptions.filter(
    ({ gatewayId, lifeId, crcOk }) => gatewayId === id && lifeId === gap.lifeId && crcOk,
  );
  return {
    gatewayEui: eui,
    atMs: own.map(({ atUs }) => atUs / 1000),
    marginDb: own.map(({ snrDb, spreadingFactor }) =>
      spreadingFactor === null ? null : rounded(linkMarginDb(snrDb, spreadingFactor), 1),
    ),
    signalDbm: own.map(({ rssiDbm, snrDb }) => rounded(signalPowerDbm(rssiDbm, snrDb), 1)),
    spreadingFactor: own.map(({ spreadingFactor }) => spreadingFactor),
    frequencyHz: own.map(({ frequencyHz }) => frequencyHz),
  };
}
