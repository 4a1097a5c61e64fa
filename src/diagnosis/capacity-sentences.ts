/** How many more nodes fit, what a faster data rate would do, what a battery pays: in sentences, the figure first. */
import type { Sentence } from "../contract/common.ts";
import type { Charge } from "../radio/capacity/charge.ts";
import type { Estimate } from "../radio/capacity/growth.ts";
import { counted, duration, figure, percent, percentInterval, THIN } from "../words/format.ts";
import type { DataRateChange, NoChange } from "./data-rate-change.ts";
import { REPEATS_HIDE_IT } from "./link-delivery.ts";

/** What a figure of room rests on at least. Chosen. */
export const CAPACITY_MINIMUM = { recordedSeconds: 2700, nodes: 3, counters: 200 } as const;

export interface CapacityFacts {
  readonly share: number;
  readonly nodes: number;
  readonly counters: number;
  readonly recordedSeconds: number;
}

/** What is lacking, as half a sentence; null: nothing. */
export function lackingFor({ nodes, counters, recordedSeconds }: CapacityFacts): string | null {
  const lacks = [
    recordedSeconds < CAPACITY_MINIMUM.recordedSeconds
      ? `${duration(recordedSeconds)} of 45\u202Fmin of recorded time`
      : "",
    nodes < CAPACITY_MINIMUM.nodes ? `${nodes} of ${CAPACITY_MINIMUM.nodes} nodes of your own` : "",
    counters < CAPACITY_MINIMUM.counters ? `${counters} of ${CAPACITY_MINIMUM.counters} counters` : "",
  ].filter((one) => one !== "");
  return lacks.length === 0 ? null : lacks.join(", ");
}

export function notEnoughSentence(lacking: string): Sentence {
  return [{ text: `Not enough yet to say how many more nodes fit: there are ${lacking}.` }];
}

/** `cap`: nothing is said beyond so many nodes more. */
export function roomSentence(
  { share, nodes }: CapacityFacts,
  delivery: Estimate,
  more: Estimate,
  cap: number,
): Sentence {
  const now = `Today ${counted(nodes, "node")} deliver ${percent(delivery.value)} (${percentInterval([delivery.low, delivery.high])}).`;
  if (delivery.value < share)
    return [{ text: `No room for more nodes: delivery is below ${percent(share)} already. ${now}` }];
  if (more.low >= cap)
    return [
      {
        text: `Room for more than ${figure(cap)} more nodes like these before delivery falls below ${percent(share)}. ${now}`,
      },
    ];
  return [
    {
      text: `Room for ${roomText(more, cap)} before delivery falls below ${percent(share)}. ${now}`,
    },
  ];
}

function roomText({ value, low, high }: Estimate, cap: number): string {
  if (value >= cap)
    return `at least ${figure(low)} more nodes like these, by the best estimate for more than ${figure(cap)},`;
  return `about ${figure(value)} more nodes like these (${figure(low)} to ${high >= cap ? `more than ${figure(cap)}` : figure(high)})`;
}

/** Were it always as busy as in the busiest block of time. */
export function busiestSentence(seconds: number, loadRatio: number, more: Estimate, cap: number): string {
  return `Were it always as busy as in the busiest ${duration(Math.round(seconds))} (${figure(loadRatio, 1)} times the mean): room for ${roomText(more, cap).replace(/,$/, "")}.`;
}

/** A gateway's own duty-cycle limit, as its downlinks grow. */
export function downlinkRoomSentence({
  gatewayEui,
  gatewayName,
  subBand,
  share,
  limit,
  moreNodes,
}: {
  readonly gatewayEui: string;
  readonly gatewayName: string | null;
  readonly subBand: string | null;
  readonly share: number;
  readonly limit: number;
  readonly moreNodes: number;
}): string {
  const used = `${gatewayName ?? `Gateway ${gatewayEui}`} itself sent ${percent(share)} of its fullest hour${subBand === null ? "" : ` in sub-band ${subBand}`}, limit ${percent(limit)}`;
  return moreNodes === 0
    ? `${used}: no room for more downlinks. An indication; local rules prevail.`
    : `${used}: reached with ${figure(moreNodes)} more nodes, if its downlinks grow with them. An indication; local rules prevail.`;
}

/** "SF12 to SF9 frees 41 s a day (31 % of all); delivery would be 98.2 % (95.1–99.4 %)". */
export function changeSentence(change: DataRateChange, freedShare: number): string {
  const { fromSpreadingFactor, toSpreadingFactor, freedSecondsADay, wouldBe, interval95 } = change;
  const [low, high] = interval95;
  return `SF${fromSpreadingFactor} to SF${toSpreadingFactor} frees ${duration(freedSecondsADay)} of airtime a day (${percent(freedShare)} of your nodes’); delivery would be ${percent(wouldBe)} (${percentInterval([low, high])}), now ${percent(change.delivery)}.`;
}

export function bestChangeSentence(
  share: number,
  best: { readonly name: string; readonly sentence: string } | null,
): string {
  if (best === null) return `No faster data rate of one node surely keeps ${percent(share)} of its frames.`;
  return `${best.name} would free most airtime: ${best.sentence}`;
}

const WHY_NONE: Readonly<Record<NoChange, string>> = {
  "not LoRa at 125 kHz": "It does not send LoRa at 125\u202FkHz: no step of data rate to compare with.",
  "fastest already": "SF7 is the fastest at 125\u202FkHz already.",
  "changes itself": "It changed its data rate in this window: narrow the window to the newest one.",
  repeats: REPEATS_HIDE_IT,
  "few frames": "Not enough yet: 20 counters expected and 10 frames with an SNR are needed.",
};

export function noChangeSentence(why: NoChange): string {
  return WHY_NONE[why];
}

export function chargeSentence({ totalMahADay, batteryDays, airtimeSecondsADay }: Charge): string {
  const lasts = batteryDays === null ? "" : `: a full battery lasts ${lifetime(batteryDays)} at most`;
  return `${duration(airtimeSecondsADay)} on the air a day costs the radio ${charge(totalMahADay)} a day${lasts}.`;
}

/** "0.41 mAh": three figures that count. */
function charge(mah: number): string {
  const decimals = mah >= 100 ? 0 : mah >= 10 ? 1 : mah >= 1 ? 2 : 3;
  return `${figure(mah, decimals)}${THIN}mAh`;
}

function lifetime(days: number): string {
  return days < 730 ? counted(Math.round(days), "day") : `${figure(days / 365.25, 1)}${THIN}years`;
}

export const CAPACITY_LIMITS: readonly string[] = [
  "Airtime that nobody heard is missing: a hidden sender's load is a lower bound. What it costs today stays in the delivery measured.",
  "New nodes are copies of those heard: the same rhythm, data rates, sizes and levels, starting at random. Nodes that send at the same moments do worse.",
  "Levels are those of frames that were read; a frame too weak to be read spoils none here.",
  "More confirmed frames lost mean more repeats: that growth of load is not followed.",
  "The ends of the interval are what either and what both of two tables of capture call lost, an earlier frame that holds the demodulator, and 8 and 16 demodulators (data sheets of concentrators), over blocks of time drawn again.",
  "Each node keeps its own duty-cycle limit, however many there are. The gateway's own limit stands beside, where its downlinks are seen here.",
];

export const CHARGE_LIMITS: readonly string[] = [
  "The radio alone: what sensors and processor draw asleep belongs into the sleep current; self-discharge and cold are left out.",
  "Both receive windows are taken as empty; a downlink costs more. The first is taken at the uplink's data rate.",
  "Transmit currents are those of an SX1276 data sheet as public drivers quote it, linear between its powers: enter those of your node.",
  "The power that a node sends with is not in its frames: it is chosen until you enter it.",
];
