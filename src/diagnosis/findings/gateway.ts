/**
 * Was the gateway there? Its keepalives and reports went on or stopped; its concentrator's counter ran on across the
 * silence (only the way to it was cut) or began anew (it restarted); datagrams were lost on the way.
 */

import type { SceneGateway, SceneReport } from "../../model/gap.ts";
import {
  isIn,
  lengthUs,
  overlapUs,
  subtract,
  type TimeRange,
  totalUs,
  unite,
} from "../../model/time-range.ts";
import { wilsonInterval } from "../../statistics/proportions.ts";
import { median, quantile } from "../../statistics/robust.ts";
import { duration, figure, percentInWords } from "../../words/format.ts";
import { EXPLAINED_BY_OUTAGE, reachShare, shareOut } from "./coincidence.ts";
import { countedIn } from "./company.ts";
import { CAUSES, type EvidencePiece, onGap, type Piece, weigh } from "./evidence.ts";
import type { Sight } from "./observations.ts";

// Did frames get lost between gateway and this service? The daemon's own counters prove it.

export interface BackhaulProof {
  /** Frames that the gateway says it forwarded and that never arrived; never below 0. */
  readonly missing: number;
  /** Missing over forwarded; null when nothing was forwarded. */
  readonly share: number | null;
  readonly forwarded: number;
}

/**
 * Compares the sum of `rxfw` over consecutive status reports with the frames received in the same stretch. Counters
 * belong to an interval of the gateway's own, so let the stretch span several and allow for one interval's frames at
 * its edges before calling it proof.
 */
export function backhaulProof(
  forwardedPerInterval: readonly number[],
  framesReceived: number,
): BackhaulProof {
  const forwarded = forwardedPerInterval.reduce((sum, n) => sum + n, 0);
  const missing = Math.max(0, forwarded - framesReceived);
  return { missing, share: forwarded > 0 ? missing / forwarded : null, forwarded };
}

// Did datagrams get lost between gateway and listener? Keepalives and status reports that did not come although others
// did, packets that the gateway reports as forwarded and that never arrived, acknowledgements that it missed.

const OTHERS = CAUSES.filter((cause) => cause !== "backhaul-loss");
/** One percent lost is the limit of common practice. */
const MIN_LOSS = 0.01;
/** Datagrams due, and packets forwarded, from which their share says something. Chosen. */
const MIN_DUE = 20;
const MIN_FORWARDED = 10;
/** A report and a reception at its edge may be counted apart: fewer missing than this show nothing alone. Chosen. */
const MIN_MISSING = 3;
/** The loss of datagrams must be at least this share of what the node may have lost. Chosen. */
const OF_THE_SIZE = 0.7;
/** Counters missed, from which losses on the way that are not of the size are no cause of them. Chosen. */
const MIN_RUN = 5;
/** Acknowledgements missed, from which it is said. */
const MIN_UNACKNOWLEDGED = 2;

/** The evidence that datagrams were lost in part; null where they came, or nothing tells. */
function backhaulEvidence(sight: Sight): Piece | null {
  const { scene, missed, lossWithin, lossRange } = sight;
  const { homes, within, receptions } = scene;
  const [gateway] = homes;
  if (gateway === undefined || lossWithin === 0) return null;
  const arrived = datagramsDue(gateway, within, gateway.outages);
  const forwarded = forwardedLoss(gateway, within, receptions);
  const lost = arrived === null ? null : wilsonInterval(Math.max(0, arrived.due - arrived.came), arrived.due);
  const missingShare =
    forwarded === null || forwarded.missing < MIN_MISSING
      ? null
      : wilsonInterval(forwarded.missing, forwarded.forwarded);
  const worst = lost !== null ? lost : missingShare;
  if (worst === null || worst.low < MIN_LOSS) return null;
  // Losses outside the outages are what is shown; short outages among them are of the same kind, and count for the size.
  const whole = datagramsDue(
    gateway,
    within,
    gateway.outages.filter((out) => !isRunOfLosses(out, gateway)),
  );
  const most = whole === null ? 0 : wilsonInterval(Math.max(0, whole.due - whole.came), whole.due).high;
  const isOfTheSize = Math.max(worst.high, most) > OF_THE_SIZE * lossRange.low;
  const isProved =
    lost !== null && forwarded !== null && (forwarded.share ?? 0) > 0.5 * lossWithin && isOfTheSize;
  const parts = [
    ...(arrived === null
      ? []
      : [`${figure(arrived.came)} of ${figure(arrived.due)} keepalives and status reports arrived`]),
    ...(forwarded === null
      ? []
      : [
          `the gateway reports ${figure(forwarded.forwarded)} packets forwarded, ${figure(forwarded.missing)} of them never arrived`,
        ]),
    ...unacknowledged(gateway.reports.filter(({ atUs }) => isIn(within, atUs))),
  ];
  return {
    sentence: `Datagrams were lost on the way: ${parts.join("; ")}.`,
    lane: "heartbeat",
    weights: isOfTheSize
      ? { ...weigh(-2, ...OTHERS), "backhaul-loss": 7 }
      : {
          ...weigh(-4, "gateway-restarted", "gateway-unreachable"),
          "backhaul-loss": -1,
          // What the others lost meanwhile was lost on the way then: no sign of the air.
          ...(isLossOfOthers(sight, Math.max(worst.high, most))
            ? weigh(-4, "interference", "congestion", "gateway-transmitting")
            : {}),
        },
    // Bursts may take a few in a row: that fits either.
    ...(isOfTheSize || missed >= MIN_RUN ? {} : { leavesOpen: ["backhaul-loss", "weak-link"] as const }),
    ...(isProved ? { proves: "backhaul-loss" as const } : {}),
  };
}

/** Whether the others lost no more than so much of what they sent. */
function isLossOfOthers(sight: Sight, lostShare: number): boolean {
  const { missed, expected } = countedIn(sight.neighbours, sight.scene.within, sight);
  return expected > 0 && missed / expected <= lostShare;
}

/** Where so many datagrams are lost that several in a row are, a short silence is no outage. In keepalives; chosen. */
const MAX_RUN_OF_LOSSES = 12;

/** Whether a silence of a gateway is short enough to be several lost datagrams in a row. */
function isRunOfLosses({ fromUs, toUs }: TimeRange, { keepaliveUs }: SceneGateway): boolean {
  return keepaliveUs !== null && toUs - fromUs <= MAX_RUN_OF_LOSSES * keepaliveUs;
}

/** Keepalives and status reports that were due and that came, outside these outages; null where too few were due. */
function datagramsDue(
  gateway: SceneGateway,
  within: TimeRange,
  outages: readonly TimeRange[],
): { due: number; came: number } | null {
  const openUs = totalUs(subtract([within], unite([...outages, ...gateway.notRecorded])));
  const count = (times: readonly number[], everyUs: number | null) =>
    everyUs === null || !(everyUs > 0)
      ? { due: 0, came: 0 }
      : { due: Math.floor(openUs / everyUs), came: times.filter((atUs) => isIn(within, atUs)).length };
  const keepalives = count(gateway.keepalivesUs, intervalUs(gateway.keepalivesUs) ?? gateway.keepaliveUs);
  const reportTimes = gateway.reports.map(({ atUs }) => atUs);
  const reports = count(reportTimes, intervalUs(reportTimes));
  const due = keepalives.due + reports.due;
  // More than were due: the interval changed meanwhile.
  const came = Math.min(keepalives.came, keepalives.due) + Math.min(reports.came, reports.due);
  return due < MIN_DUE ? null : { due, came };
}

/** Spacings within this share of the interval of a whole number of intervals fit it, and so many must. Chosen. */
const NEAR_MULTIPLE = 0.15;
const MIN_FITTING = 0.8;

/**
 * The interval of what a timer sends: the median of the spacings; where many are lost that is a multiple of it, and the short spacings
 * that are left tell it. null: fewer than four times.
 */
function intervalUs(times: readonly number[]): number | null {
  if (times.length < 4) return null;
  const spacings = times.slice(1).map((atUs, i) => atUs - (times[i] ?? atUs));
  const usual = median(spacings);
  const short = quantile(spacings, 0.1);
  if (usual === null || short === null || !(short > 0) || usual < 1.5 * short) return usual;
  const fitting = spacings.filter(
    (one) => Math.abs(one - short * Math.round(one / short)) <= NEAR_MULTIPLE * short,
  );
  return fitting.length >= MIN_FITTING * spacings.length ? short : usual;
}

function forwardedLoss(
  gateway: SceneGateway,
  within: TimeRange,
  receptions: Sight["scene"]["receptions"],
): { forwarded: number; missing: number; share: number | null } | null {
  const reports = gateway.reports.filter(({ atUs, forwarded }) => isIn(within, atUs) && forwarded !== null);
  const steps = intervalUs(gateway.reports.map(({ atUs }) => atUs));
  if (steps === null) return null;
  let forwarded = 0;
  let received = 0;
  for (const [i, report] of reports.entries()) {
    const before = reports[i - 1];
    // A report speaks of the interval before it; where the one before it was lost, that is not known whole.
    if (before === undefined || report.atUs - before.atUs > 1.5 * steps) continue;
    forwarded += report.forwarded ?? 0;
    received += receptions.filter(
      ({ gatewayId, atUs }) => gatewayId === gateway.id && atUs > before.atUs && atUs <= report.atUs,
    ).length;
  }
  return forwarded < MIN_FORWARDED ? null : backhaulProof([forwarded], received);
}

function unacknowledged(reports: readonly SceneReport[]): string[] {
  const shares = reports.flatMap(({ ackPercent }) => ackPercent ?? []);
  if (shares.length < 3) return [];
  const missed = 100 - shares.reduce((sum, share) => sum + share, 0) / shares.length;
  return missed < MIN_UNACKNOWLEDGED
    ? []
    : [`it missed ${percentInWords(missed / 100)} of its acknowledgements`];
}

const OF_THE_GATEWAY: ReadonlySet<string> = new Set(["gateway-unreachable", "gateway-restarted"]);
/** Share of a gap in which a gateway was surely reachable, from which it was so throughout: a keepalive may be lost. Chosen. */
const IN_REACH = 0.95;
const NOT_ITS_OWN = CAUSES.filter((cause) => !OF_THE_GATEWAY.has(cause));

export function gatewayEvidence(sight: Sight): EvidencePiece[] {
  const { homes, within, gap } = sight.scene;
  if (homes.length === 0) return [];
  const share = shareOut(sight);
  const touched = homes.filter(({ outages }) => outages.some((out) => overlapUs(out, within) > 0));
  const lossy = backhaulEvidence(sight);
  if (lossy !== null && touched.every((home) => isScattered(home, within)))
    return onGap(sight.scene, [lossy]);
  if (touched.length > 0 && share >= EXPLAINED_BY_OUTAGE) {
    // The gateway that hears it best counts most.
    return touched.map((gateway, i) => outage(gateway, share, sight, i === 0 ? 1 : 0.3));
  }
  const pieces: EvidencePiece[] = [];
  if (lossy !== null) return onGap(sight.scene, [lossy]);
  // Without keepalives, or with distances between them longer than the gap, nobody knows whether it was reachable.
  const alive = homes.filter((gateway) => reachShare(gateway, sight, within) >= IN_REACH);
  if (alive.length > 0) {
    const count = alive.reduce(
      (sum, { keepalivesUs }) => sum + keepalivesUs.filter((atUs) => isIn(within, atUs)).length,
      0,
    );
    const [first] = alive;
    const expected = alive.reduce(
      (sum, { keepaliveUs, notRecorded }) =>
        sum + (keepaliveUs === null ? 0 : totalUs(subtract([within], notRecorded)) / keepaliveUs),
      0,
    );
    // A gap shorter than a few keepalives may hide a short outage.
    const sure = expected < 2 ? 0.4 : 1;
    pieces.push({
      sentence: `${alive.length === 1 ? "Its gateway was" : "Its gateways were"} reachable throughout: ${figure(count)} keepalives came, ${figure(Math.round(expected))} were due.`,
      lane: "heartbeat",
      restsOn: { ...within, ofNode: false, gatewayEui: first?.eui ?? null },
      weights: weigh((gap.kind === "steady" ? -4 : -5) * sure, "gateway-unreachable", "gateway-restarted"),
    });
  }
  return pieces;
}

function isScattered(gateway: SceneGateway, within: TimeRange): boolean {
  return gateway.outages
    .filter((out) => overlapUs(out, within) > 0)
    .every((out) => isRunOfLosses(out, gateway));
}

function outage(gateway: SceneGateway, share: number, sight: Sight, rank: number): EvidencePiece {
  const { within, gap } = sight.scene;
  const outs = gateway.outages.filter((out) => overlapUs(out, within) > 0);
  const longest = outs.reduce((a, b) => (lengthUs(b) > lengthUs(a) ? b : a));
  const restarted = outs.some((out) => out.restarted === true);
  const ranOn = !restarted && outs.some((out) => out.restarted === false);
  const counter = restarted
    ? "its concentrator's counter restarted with it"
    : ranOn
      ? "its concentrator's counter ran on across it"
      : longest.open
        ? "it has not come back"
        : "its concentrator's counter cannot tell whether it restarted";
  const sure = Math.min(1, 0.5 + share / 2);
  // A node that did not send while the gateway was out was silent by itself: its counter says so.
  const sent = (gap.kind === "silence" && !gap.open ? 0.2 : 1) * rank;
  const weight = 5 * sure * sent;
  return {
    sentence: [
      { gateway: gateway.eui },
      ` sent nothing for ${duration(lengthUs(longest) / 1e6)}; ${counter}; ${percentInWords(share)} of what is missing falls into that time.`,
    ],
    lane: "heartbeat",
    restsOn: { ...longest, ofNode: false, gatewayEui: gateway.eui },
    weights: {
      ...weigh(-3 * sent, ...NOT_ITS_OWN),
      "gateway-restarted": restarted ? weight + rank : ranOn ? -5 * rank : weight - rank,
      "gateway-unreachable": restarted ? -2 * rank : ranOn ? weight + rank : weight,
    },
    ...(sent < 1 || share < 0.6
      ? {}
      : restarted
        ? { proves: "gateway-restarted" as const }
        : ranOn
          ? { proves: "gateway-unreachable" as const }
          : {}),
  };
}
