/** What fills the air at each gateway? Its data rates and networks, collisions to expect, deaf time, demodulators. */

import type {
  AirGateway,
  AirMap,
  AirNetwork,
  CollisionShare,
  DataRateShare,
  DeafTime,
} from "../contract/index.ts";
import { BLOCKING_MATTERS, collisionWords, deafWords, demodulatorWords } from "../diagnosis/air-sentences.ts";
import { describeModulation } from "../model/modulation.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import {
  type CollisionExpectation,
  channelCollisions,
  erlangB,
  expectedCollisions,
} from "../radio/collisions.ts";
import { deafShare } from "../radio/occupancy.ts";
import { codingRateCode, modulationFromCodes } from "../store/data-rate-code.ts";
import type { DownlinkRecord } from "../store/queries/air.ts";
import { type ChannelEvidence, type GatewayEvidence, loadClasses, type Tallies } from "./air-evidence.ts";

/** Downlinks come at 4/5 without a payload CRC unless set otherwise; radio reference of the trade, section on frames. */
const DOWNLINK_CODING_RATE = codingRateCode({
  kind: "lora",
  spreadingFactor: 7,
  bandwidthHz: 125_000,
  codingRate: "4/5",
});

export function dataRateRows({ dataRates }: Tallies): DataRateShare[] {
  return [...dataRates]
    .sort(([a], [b]) => a - b)
    .map(([dataRate, { receptions, frames, airtimeUs }]) => ({
      name: nameOf(dataRate),
      receptions,
      frames,
      airtimeSeconds: airtimeUs / 1e6,
    }))
    .sort((a, b) => b.receptions - a.receptions);
}

/** One's own first, then strangers by airtime, what names nobody last. */
export function networkRows({ networks }: Tallies): AirNetwork[] {
  const rank = ({ stranger }: AirNetwork) => (stranger === null ? 2 : stranger ? 1 : 0);
  return [...networks.values()]
    .map(({ network, stranger, nodes, receptions, frames, airtimeUs }) => ({
      network,
      stranger,
      nodes: nodes.size,
      receptions,
      frames,
      airtimeSeconds: airtimeUs / 1e6,
    }))
    .sort((a, b) => rank(a) - rank(b) || b.airtimeSeconds - a.airtimeSeconds);
}

/** What to expect on one channel, data rate by data rate, had the load been spread at random over `windowUs`. */
export function collisionsOf(
  channel: ChannelEvidence,
  levelsDbm: ReadonlyMap<number, readonly number[]>,
  windowUs: number,
): CollisionExpectation[] {
  return expectedCollisions(loadClasses(channel), levelsDbm, windowUs);
}

export interface GatewayParts {
  readonly eui: string;
  readonly name: string | null;
  readonly region: string | null;
  readonly evidence: GatewayEvidence | undefined;
  /** By frequency. */
  readonly collisions: ReadonlyMap<number, readonly CollisionExpectation[]>;
  readonly map: AirMap | null;
  /** The part of the evidence's stretch in which the gateway was there. */
  readonly over: TimeRange;
  readonly downlinks: readonly DownlinkRecord[];
  readonly reportedSent: number | null;
}

export function airGateway(parts: GatewayParts): AirGateway {
  const { collisions, over, evidence } = parts;
  const windowUs = Math.max(1, over.toUs - over.fromUs);
  const tallies: Tallies = evidence ?? { dataRates: new Map(), networks: new Map() };
  const expected = [...collisions].flatMap(([frequencyHz, all]) =>
    all.map((one) => ({ ...one, frequencyHz })),
  );
  return {
    gatewayEui: parts.eui,
    gatewayName: parts.name,
    region: parts.region,
    firstHeard: evidence === undefined || evidence.firstUs === null ? null : isoTime(evidence.firstUs),
    dataRates: dataRateRows(tallies),
    networks: networkRows(tallies),
    collisions: expected
      .sort((a, b) => a.frequencyHz - b.frequencyHz || a.dataRate - b.dataRate)
      .map((one) => ({
        frequencyHz: one.frequencyHz,
        dataRate: nameOf(one.dataRate),
        frames: one.frames,
        offeredLoad: rounded(one.offeredErlang, 5),
        ...shownCollisions(one),
      })),
    collisionWords: collisionWords(channelCollisions(expected)),
    deaf: deafTime(parts, windowUs, tallies),
    demodulators: demodulators(parts, windowUs),
  };
}

/** Shares as they are shown: what lies below a thousandth of a percent is no figure, and changes with each packet. */
export function shownCollisions(shares: CollisionShare): CollisionShare {
  const { aloha, captureTheory, captureMeasured } = shares;
  return {
    aloha: rounded(aloha, 5),
    captureTheory: rounded(captureTheory, 5),
    captureMeasured: rounded(captureMeasured, 5),
  };
}

function nameOf(dataRate: number): string {
  return describeModulation(modulationFromCodes(dataRate, 0));
}

function deafTime({ downlinks, reportedSent }: GatewayParts, windowUs: number, tallies: Tallies): DeafTime {
  const visible = downlinks.length > 0;
  // A gateway that says nothing of a downlink (protocol 1 has no word for it) is taken to have sent it.
  const sent = downlinks.filter(({ result }) => result !== "refused");
  const airtimes = sent.map(({ airtimeUs, dataRate, size }) => {
    if (airtimeUs > 0 || dataRate === null) return airtimeUs;
    return airtimeOfReception(modulationFromCodes(dataRate, DOWNLINK_CODING_RATE), size, "none");
  });
  const totalUs = airtimes.reduce((sum, us) => sum + us, 0);
  const packets = [...tallies.dataRates.values()];
  const heard = packets.reduce((sum, { receptions }) => sum + receptions, 0);
  const meanUs = heard === 0 ? null : packets.reduce((sum, { airtimeUs }) => sum + airtimeUs, 0) / heard;
  const share = Math.min(1, totalUs / windowUs);
  const spoiltShare = meanUs === null ? null : deafShare(airtimes, meanUs, windowUs);
  const refused = downlinks.length - sent.length;
  const seconds = totalUs / 1e6;
  return {
    visible,
    words: deafWords({ visible, sent: sent.length, refused, seconds, share, spoiltShare, reportedSent }),
    sent: sent.length,
    refused,
    seconds: visible ? seconds : null,
    share: visible ? share : null,
    spoiltShare: visible ? spoiltShare : null,
    reportedSent,
  };
}

function demodulators({ evidence, map }: GatewayParts, windowUs: number): AirGateway["demodulators"] {
  const rates = [...(evidence?.dataRates.values() ?? [])];
  const airtimeUs = rates.reduce((sum, one) => sum + one.airtimeUs, 0);
  const busiestErlang = map === null ? 0 : busiestCellErlang(map);
  const blockedOf8 = erlangB(busiestErlang, 8);
  const blockedOf16 = erlangB(busiestErlang, 16);
  return {
    meanErlang: airtimeUs / windowUs,
    busiestErlang,
    blockedOf8,
    blockedOf16,
    matters: blockedOf8 >= BLOCKING_MATTERS,
    words: demodulatorWords({ busiestErlang, blockedOf8, blockedOf16 }),
  };
}

/** A cell that has only begun says little: one long frame fills it. */
function busiestCellErlang({ offeredLoad, cellSeconds, lastCellSeconds }: AirMap): number {
  const cells = Math.max(0, ...offeredLoad.map((row) => row.length));
  const shown = lastCellSeconds * 2 < cellSeconds ? cells - 1 : cells;
  let most = 0;
  for (let cell = 0; cell < shown; cell++) {
    most = Math.max(
      most,
      offeredLoad.reduce((sum, row) => sum + (row[cell] ?? 0), 0),
    );
  }
  return most;
}
