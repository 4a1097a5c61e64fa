/**
 * Did the gateway's radio hear nothing meanwhile? Judged by the same rule as the event of the gateway
 * (gateway-events/deaf-radio.ts), from what the scene shows of its packets and reports.
 */

import type { CounterAcross, SceneGateway, SceneReception } from "../../model/gap.ts";
import { groupBy } from "../../model/group-by.ts";
import type { NamedText } from "../../model/text.ts";
import { isIn, lengthUs, overlapUs, type TimeRange, unite } from "../../model/time-range.ts";
import { counterAcross } from "../../radio/clock.ts";
import { linkMarginDb } from "../../radio/margin.ts";
import { median } from "../../statistics/robust.ts";
import { duration, figure, percentInWords, plural } from "../../words/format.ts";
import {
  BY_COUNTER,
  type DeafRadio,
  deafRadio,
  elsewhere,
  MIN_EMPTY_REPORTS,
  type RegularSender,
} from "../gateway-events/deaf-radio.ts";
import { EXPLAINED_BY_OUTAGE } from "./coincidence.ts";

import { CAUSES, clampWeight, type EvidencePiece, weigh } from "./evidence.ts";
import { known, type Sight } from "./observations.ts";

/** What a silence of all at a sound gateway is taken for elsewhere: the two must not be counted twice. */
const NOT_ITS_OWN = CAUSES.filter((cause) => cause !== "gateway-deaf");
/** What the prior of `combine` holds against it: the confidence of the radio's own rule already weighs that. */
const PRIOR = 4;
/** It outweighs that prior and no more than any other evidence beyond it. */
const MAX_WEIGHT = 8;
/** Below this the silence says nothing for the radio: it healed by itself, or others did not hear the nodes either. Chosen. */
const MIN_CONFIDENCE = 0.3;
/** What a silence of the radio says for each of both, where it leaves open which it was. Chosen. */
const OPEN_WEIGHT = 1;
/** Without the counter the radio was this likely at the least: many strong nodes fell silent.. */
const MIN_WITHOUT_COUNTER = 0.5;

/**
 * A radio that hears again by itself, its counter having run on, and noise that drowned every channel send the same:
 * no packet, and reports that count none (`tests/evaluate/same-octets.test.ts`). Another gateway would tell.
 */
function isNoiseAsLikely({ counter, heardElsewhere, confidence }: DeafRadio): boolean {
  const odds = Math.log(confidence / (1 - confidence)) - BY_COUNTER["ran-on"];
  return counter === "ran-on" && heardElsewhere === null && 1 / (1 + Math.exp(-odds)) >= MIN_WITHOUT_COUNTER;
}

/** A missed frame is dated by the rhythm only, to some seconds. */
const SLACK_US = 15_000_000;

/** The evidence that the gateway was deaf, or none. */
export function deafEvidence(sight: Sight): EvidencePiece[] {
  for (const [rank, home] of sight.scene.homes.entries()) {
    const deaf = deafTimesOf(sight, home);
    const share = shareIn(sight, deaf);
    if (deaf.length === 0 || share < EXPLAINED_BY_OUTAGE) continue;
    const longest = deaf.reduce((a, b) => (lengthUs(b) > lengthUs(a) ? b : a));
    const restsOn = { fromUs: longest.fromUs, toUs: longest.toUs, ofNode: false, gatewayEui: home.eui };
    const sentence = sentenceOf(longest, home, share);
    if (isNoiseAsLikely(longest)) {
      const open = { "gateway-deaf": OPEN_WEIGHT, interference: OPEN_WEIGHT };
      return [
        { sentence, lane: "heartbeat", restsOn, weights: open, leavesOpen: ["interference", "gateway-deaf"] },
      ];
    }
    // Then the senders or the air are likelier.
    if (longest.confidence < MIN_CONFIDENCE) continue;
    const against = Math.max(0.1, 2 * longest.confidence - 1);
    const sure = (rank === 0 ? 1 : 0.4) * Math.min(1, 0.5 + share / 2);
    const odds = Math.log(longest.confidence / (1 - longest.confidence));
    // A node that did not send while the radio was deaf was silent by itself: its counter says so.
    const sent = sight.scene.gap.kind === "silence" && !sight.scene.gap.open ? 0.2 : 1;
    return [
      {
        sentence,
        lane: "heartbeat",
        restsOn,
        weights: {
          ...weigh(-3 * against * sure * sent, ...NOT_ITS_OWN),
          interference: -5 * against * sure * sent,
          "gateway-deaf": clampWeight((PRIOR + odds + 1) * sure * sent, MAX_WEIGHT),
        },
        ...(longest.confidence > 0.95 && share > 0.6 && sent === 1
          ? { proves: "gateway-deaf" as const }
          : {}),
      },
    ];
  }
  return [];
}

function sentenceOf(
  { reports, sendersDue, framesDue, counter, heardElsewhere, ...time }: DeafRadio,
  home: SceneGateway,
  share: number,
): NamedText {
  const others =
    heardElsewhere === null || heardElsewhere === 0
      ? ""
      : ` Another gateway heard ${plural(heardElsewhere, "frame")} of them meanwhile.`;
  const end = counter === "began-anew" ? " It heard again after its counter restarted." : "";
  return [
    { gateway: home.eui },
    ` heard no packet for ${duration(lengthUs(time) / 1e6)}, also none with a wrong CRC. Its ${figure(reports)} status reports count 0; about ${figure(framesDue)} frames of ${sendersDue} nodes were due.${others}${end} ${percentInWords(share)} of what is missing falls into that time.`,
  ];
}

/** Share of a stretch without any packet from which it is one silence of the radio. Chosen. */
const WHOLE_SILENCE = 0.6;

/**
 * Whether nothing tells noise that drowns all from a radio that hangs: no packet came for most of the stretch, also none with a wrong
 * CRC, and the status reports are too few, or count too little, for the rule of the deaf radio.
 */
export function isRadioOpen(sight: Sight, home: SceneGateway, stretch: TimeRange): boolean {
  if (deafTimesOf(sight, home).length > 0) return false;
  const longest = silencesOf(sight, home)[0]?.silence;
  if (longest === undefined || overlapUs(longest, stretch) < WHOLE_SILENCE * lengthUs(stretch)) return false;
  const intervalUs = median(
    home.reports.slice(1).map(({ atUs }, i) => atUs - (home.reports[i]?.atUs ?? atUs)),
  );
  // A report that counts a packet in it was about noise, or about what came broken.
  return !home.reports.some(
    ({ atUs, received }) =>
      received !== null && received > 0 && atUs - (intervalUs ?? 0) >= longest.fromUs && atUs <= longest.toUs,
  );
}

/** The longest silences of a scene are looked at, and no more. */
const MAX_SILENCES = 5;

interface Silence {
  readonly last: SceneReception;
  /** null: none has come since. */
  readonly next: SceneReception | null;
  readonly silence: TimeRange;
}

/** The longest times within the gap in which a gateway delivered no packet, longest first. */
function silencesOf({ scene: { receptions, within, after } }: Sight, home: SceneGateway): Silence[] {
  const packets = receptions.filter(({ gatewayId }) => gatewayId === home.id);
  const endUs = Math.max(within.toUs, after.toUs);
  return packets
    .map((last, i) => ({ last, next: packets[i + 1] ?? null }))
    .map(({ last, next }) => ({ last, next, silence: { fromUs: last.atUs, toUs: next?.atUs ?? endUs } }))
    .filter(({ silence }) => overlapUs(silence, within) > 0)
    .sort((a, b) => lengthUs(b.silence) - lengthUs(a.silence) || a.silence.fromUs - b.silence.fromUs)
    .slice(0, MAX_SILENCES);
}

/** When the radio of a home gateway was deaf within the gap. */
function deafTimesOf(sight: Sight, home: SceneGateway): DeafRadio[] {
  const { scene } = sight;
  const packets = scene.receptions.filter(({ gatewayId }) => gatewayId === home.id);
  return silencesOf(sight, home).flatMap(({ last, next, silence }) => {
    const reports = home.reports.filter(({ atUs }) => atUs > silence.fromUs && atUs <= silence.toUs);
    if (reports.length < MIN_EMPTY_REPORTS) return [];
    const senders = sendersBefore(packets, silence.fromUs);
    const deaf = deafRadio({
      silence,
      isOpen: next === null,
      reports,
      senders: [...senders.values()],
      unheard: unite([...home.outages, ...home.notRecorded]),
      ...heardElsewhere(scene.receptions, home, senders, silence),
      counter: counterOf(last, next, home, silence),
    });
    return deaf ?? [];
  });
}

function sendersBefore(packets: readonly SceneReception[], untilUs: number): Map<number, RegularSender> {
  const bySender = groupBy(
    packets.flatMap((one) =>
      one.lifeId === null || !one.crcOk || one.repeat || one.atUs > untilUs
        ? []
        : [{ ...one, lifeId: one.lifeId }],
    ),
    ({ lifeId }) => lifeId,
  );
  return new Map(
    [...bySender].map(([lifeId, list]) => [
      lifeId,
      {
        heardUs: list.map(({ atUs }) => atUs),
        marginDb: median(
          known(
            list.map(({ spreadingFactor, snrDb }) =>
              spreadingFactor === null ? null : linkMarginDb(snrDb, spreadingFactor),
            ),
          ),
        ),
      },
    ]),
  );
}

/** Frames of the senders that other gateways heard; null where none was due there. */
function heardElsewhere(
  receptions: readonly SceneReception[],
  home: SceneGateway,
  senders: ReadonlyMap<number, RegularSender>,
  silence: TimeRange,
) {
  const others = receptions.filter(
    ({ gatewayId, lifeId, crcOk }) =>
      gatewayId !== home.id && crcOk && lifeId !== null && senders.has(lifeId),
  );
  const heard = others.filter(({ atUs }) => isIn(silence, atUs)).length;
  const before = others.filter(({ atUs }) => atUs < silence.fromUs);
  const beforeUs = silence.fromUs - (before[0]?.atUs ?? silence.fromUs);
  const due = beforeUs > 0 ? (before.length * lengthUs(silence)) / beforeUs : 0;
  return elsewhere(heard, due);
}

/** What the counter did across a silence: by the packets at both ends, else by the restarts that are known. */
function counterOf(
  before: SceneReception,
  after: SceneReception | null,
  { restartsUs }: SceneGateway,
  silence: TimeRange,
): CounterAcross | null {
  if (restartsUs.some((atUs) => atUs > silence.fromUs && atUs <= silence.toUs)) return "began-anew";
  const [first, last] = [before.tmstUs, after?.tmstUs ?? null];
  if (first === null || last === null) return null;
  return counterAcross({ tmstUs: first, atUs: silence.fromUs }, { tmstUs: last, atUs: silence.toUs });
}

/** Share of what was missed that falls into these times; of an open silence, of its time. */
function shareIn({ missedAtUs, scene: { within } }: Sight, times: readonly TimeRange[]): number {
  if (missedAtUs.length > 0) {
    const isOut = (atUs: number) =>
      times.some(({ fromUs, toUs }) => atUs >= fromUs - SLACK_US && atUs < toUs + SLACK_US);
    return missedAtUs.filter(isOut).length / missedAtUs.length;
  }
  const outUs = times.reduce((sum, time) => sum + overlapUs(time, within), 0);
  return outUs / Math.max(1, lengthUs(within));
}
