/**
 * Did datagrams get lost between gateway and listener? Keepalives and status reports that did not come although others
 * did, packets that the gateway reports as forwarded and that never arrived, acknowledgements that it missed.
 */
import type { SceneGateway, SceneReport, Stretch } from "../../model/scene.ts";
import { subtract, totalUs, unite } from "../../model/time-range.ts";
import { median, quantile } from "../../statistics/robust.ts";
import { wilsonInterval } from "../../statistics/wilson.ts";
import { backhaulProof } from "../backhaul-proof.ts";
import { percent } from "../standing.ts";
import { CAUSES, type EvidencePiece, weigh } from "./evidence.ts";
import { isIn, type Sight } from "./sight.ts";

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
export function backhaulEvidence({ scene, missed, lossWithin, lossRange }: Sight): EvidencePiece | null {
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
      : [
          `${arrived.came.toLocaleString("en-GB")} of ${arrived.due.toLocaleString("en-GB")} keepalives and status reports arrived`,
        ]),
    ...(forwarded === null
      ? []
      : [
          `the gateway reports ${forwarded.forwarded.toLocaleString("en-GB")} packets forwarded, ${forwarded.missing.toLocaleString("en-GB")} of them never arrived`,
        ]),
    ...unacknowledged(gateway.reports.filter(({ atUs }) => isIn(within, atUs))),
  ];
  return {
    sentence: `Datagrams were lost on the way: ${parts.join("; ")}.`,
    lane: "heartbeat",
    restsOn: { ...within, ofNode: false, gatewayEui: gateway.eui },
    weights: isOfTheSize
      ? { ...weigh(-2, ...OTHERS), "backhaul-loss": 7 }
      : { ...weigh(-4, "gateway-restarted", "gateway-unreachable"), "backhaul-loss": -1 },
    // Bursts may take a few in a row: that fits either.
    ...(isOfTheSize || missed >= MIN_RUN ? {} : { leavesOpen: ["backhaul-loss", "weak-link"] as const }),
    ...(isProved ? { proves: "backhaul-loss" as const } : {}),
  };
}

/** Where so many datagrams are lost that several in a row are, a short silence is no outage. In keepalives; chosen. */
const MAX_RUN_OF_LOSSES = 12;

/** Whether a silence of a gateway is short enough to be several lost datagrams in a row. */
export function isRunOfLosses({ fromUs, toUs }: Stretch, { keepaliveUs }: SceneGateway): boolean {
  return keepaliveUs !== null && toUs - fromUs <= MAX_RUN_OF_LOSSES * keepaliveUs;
}

/** Keepalives and status reports that were due and that came, outside these outages; null where too few were due. */
function datagramsDue(
  gateway: SceneGateway,
  within: Stretch,
  outages: readonly Stretch[],
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
  within: Stretch,
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
  return missed < MIN_UNACKNOWLEDGED ? [] : [`it missed ${percent(missed / 100)} of its acknowledgements`];
}
