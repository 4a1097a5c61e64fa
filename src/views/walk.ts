/** A walk test: at each stop, what every gateway heard of the test node. */
import type { Position, WalkPlace, WalkReach, WalkStop, WalkView } from "../contract/index.ts";
import { bestVerdict, judgeStop, WALK_LIMIT_WORDS, WALK_LIMITS, walkSentence } from "../diagnosis/status.ts";
import { parseDevAddr } from "../model/identifiers.ts";
import { isoTime } from "../model/time-range.ts";
import { haversineM, type Place } from "../radio/geometry.ts";
import { wilsonInterval } from "../statistics/proportions.ts";
import { seriesOfFrames } from "../store/hours/read-frames.ts";
import type { Store } from "../store/open.ts";
import { framesOfLife, type LifeReception, receptionsOfLife } from "../store/queries/frames.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels, livesOf } from "../store/queries/lives.ts";
import { type MarkRecord, marksIn } from "../store/user-data.ts";
import { firstHearings, lossOf, missedCounters } from "./node-figures.ts";
import { levelsOf } from "./node-levels.ts";
import { reachOf, siteNotRecorded, siteOutages } from "./reachability.ts";
import { positionOf, positionRows } from "./user-data.ts";
import { type AskedWindow, knownEndUs, knownUntilUs, recordedOf, windowView } from "./window.ts";

const MAX_STOPS = 200;

interface Sent {
  readonly atUs: number;
  /** `life/counter`. */
  readonly key: string;
  readonly missed: boolean;
}

/** `devAddr`: the node that is carried. */
export function walkView(store: Store, window: AskedWindow, devAddr: string): WalkView {
  const marks = marksIn(store, window, MAX_STOPS, { kind: "stop" })
    .filter((mark) => mark.devAddr === null || mark.devAddr === devAddr)
    .reverse();
  const { sent, receptions, life } = whatWasSent(store, window, devAddr);
  const names = labels(store, "gateway");
  const gateways = allGateways(store).filter(({ id }) => receptions.some((one) => one.gatewayId === id));
  const name = labels(store, "node").get(devAddr)?.name ?? null;
  const places = planOf(store, marks);
  const stops = marks.map((mark, at): WalkStop => {
    const fromUs = mark.atUs;
    const toUs = Math.max(
      fromUs,
      Math.min(mark.untilUs ?? Infinity, marks[at + 1]?.atUs ?? Infinity, window.toUs),
    );
    const here = sent.filter(({ atUs }) => atUs >= fromUs && atUs < toUs);
    const keys = new Set(here.map(({ key }) => key));
    const reaches = gateways.map(({ id, eui }) => {
      const own = receptions.filter((one) => one.gatewayId === id && keys.has(one.key));
      return heardAt(eui, keys.size, own);
    });
    return {
      markId: mark.id,
      name: mark.text,
      from: isoTime(fromUs),
      to: isoTime(toUs),
      position: positionOf(mark),
      place: places.of(positionOf(mark)),
      counters: keys.size,
      missed: here.filter(({ missed }) => missed).length,
      best: bestVerdict(reaches.map(({ verdict }) => verdict)),
      gateways: reaches,
    };
  });
  return {
    window: windowView(window),
    sentence: walkSentence(name ?? devAddr, stops),
    devAddr,
    name,
    life,
    limits: { ...WALK_LIMITS, words: WALK_LIMIT_WORDS },
    gateways: gateways.map(({ eui }) => ({
      eui,
      name: names.get(eui)?.name ?? null,
      place: places.ofGateway(eui),
    })),
    stops,
  };
}

/** The node's counters in the window, heard and missed, dated; and who heard them. */
function whatWasSent(store: Store, window: AskedWindow, devAddr: string) {
  const sent: Sent[] = [];
  const receptions: (LifeReception & { readonly key: string })[] = [];
  let life: number | null = null;
  // What was missed while no gateway was reachable says nothing of the place.
  const endUs = knownEndUs(store, window);
  const untilUs = knownUntilUs(window);
  const recorded = recordedOf(store, window);
  const reaches = allGateways(store, untilUs).map((gateway) =>
    reachOf(store, gateway, window, endUs, recorded),
  );
  const unheard = { outages: siteOutages(reaches, window), notRecorded: siteNotRecorded(reaches, window) };
  for (const record of livesOf(store, parseDevAddr(devAddr))) {
    if (record.lastAtUs < window.fromUs || record.firstAtUs >= window.toUs) continue;
    const frames = framesOfLife(store, record.id, window);
    if (frames.length > 0) life = record.number;
    for (const { counter, atUs } of firstHearings(frames))
      sent.push({ atUs, key: `${record.number}/${counter}`, missed: false });
    const { gaps, isPeriodic } = lossOf(seriesOfFrames(frames), unheard);
    for (const gap of gaps) {
      for (const { counter, atUs, fate } of missedCounters(gap, unheard, isPeriodic))
        if (fate === "missed") sent.push({ atUs, key: `${record.number}/${counter}`, missed: true });
    }
    for (const one of receptionsOfLife(store, record.id, window))
      receptions.push({ ...one, key: `${record.number}/${one.counter}` });
  }
  return { sent, receptions, life };
}

function heardAt(
  gatewayEui: string,
  counters: number,
  own: readonly (LifeReception & { readonly key: string })[],
): WalkReach {
  const heard = new Set(own.map(({ key }) => key)).size;
  const { marginDb } = levelsOf(own);
  const interval = counters === 0 ? null : wilsonInterval(heard, counters);
  return {
    gatewayEui,
    heard,
    deliveryRatio: interval?.ratio ?? null,
    deliveryInterval95: interval === null ? null : [interval.low, interval.high],
    marginDb,
    verdict: judgeStop(counters, heard, marginDb.median),
  };
}

interface PlanPlaces {
  readonly of: (position: Position | null) => WalkPlace | null;
  readonly ofGateway: (eui: string) => WalkPlace | null;
}

/** Places in metres. Degrees and metres are not mixed: what most stops are given in is drawn. */
function planOf(store: Store, marks: readonly MarkRecord[]): PlanPlaces {
  const given = marks.map(positionOf).filter((position) => position !== null);
  const degrees = given.filter((position) => "latitude" in position);
  const inDegrees = degrees.length * 2 >= given.length;
  const rows = new Map(positionRows(store).map((row) => [`${row.kind} ${row.id}`, row]));
  const mean = (values: readonly number[]) => values.reduce((sum, one) => sum + one, 0) / values.length;
  const middle: Place = {
    latitudeDeg: degrees.length === 0 ? 0 : mean(degrees.map(({ latitude }) => latitude)),
    longitudeDeg: degrees.length === 0 ? 0 : mean(degrees.map(({ longitude }) => longitude)),
  };
  // On the few kilometres of a walk the earth is flat: along the parallel of the middle, and along the meridian.
  const flat = (place: Place): WalkPlace => ({
    eastM:
      Math.sign(place.longitudeDeg - middle.longitudeDeg) *
      haversineM(middle, { ...middle, longitudeDeg: place.longitudeDeg }),
    northM:
      Math.sign(place.latitudeDeg - middle.latitudeDeg) *
      haversineM(middle, { ...middle, latitudeDeg: place.latitudeDeg }),
  });
  return {
    of: (position) => {
      if (position === null || "latitude" in position !== inDegrees) return null;
      return "latitude" in position
        ? flat({ latitudeDeg: position.latitude, longitudeDeg: position.longitude })
        : { eastM: position.eastMetres, northM: position.northMetres };
    },
    ofGateway: (eui) => {
      const row = rows.get(`gateway ${eui}`);
      if (row === undefined || given.length === 0) return null;
      const { latitudeDeg, longitudeDeg, eastM, northM } = row;
      if (!inDegrees) return eastM === null || northM === null ? null : { eastM, northM };
      return latitudeDeg === null || longitudeDeg === null ? null : flat({ latitudeDeg, longitudeDeg });
    },
  };
}
