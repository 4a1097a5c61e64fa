/** Where does a noise come from, as far as a comparison between gateways can say? One plain sentence each. */
import type {
  CollisionShare,
  NoiseSource,
  StrangerCost,
  StrangerGrowth,
  StrangerNetwork,
} from "../contract/others-on-air.ts";
import type { NoisePlace } from "../radio/noise-place.ts";
import {
  counted,
  decibel,
  duration,
  figure,
  listed,
  megahertz,
  percent,
  signedWithUnit,
} from "../words/format.ts";
import { distanceWords } from "./link-geometry.ts";

type Titles = (eui: string) => string;

/** "Strongest at Water tower, 6.1 dB (1.9 to 10.3) above Pump house, the next." */
export function placeWords(place: NoisePlace, titleOf: Titles): string {
  const { verdict, eui, differenceDb, lowDb, highDb, nextEui, reason, gateways } = place;
  const known = gateways.filter(({ status }) => status !== "too few");
  const unknown = gateways.filter(({ status }) => status === "too few").map((one) => titleOf(one.eui));
  const rest = unknown.length === 0 ? "" : ` Not compared, too few frames: ${namesOf(unknown)}.`;
  if (verdict === "strongest" && eui !== null && lowDb !== null) {
    const size =
      differenceDb === null || highDb === null
        ? `at least ${decibel(lowDb)}`
        : `${decibel(differenceDb)} (${figure(lowDb, 1)} to ${figure(highDb, 1)})`;
    return `Strongest at ${titleOf(eui)}, ${size} above ${nextEui === null ? "the next" : titleOf(nextEui)}${known.length > 2 ? ", the next" : ""}.${rest}`;
  }
  if (verdict === "alike")
    return `Alike at ${namesOf(known.map((one) => titleOf(one.eui)))}, within 6\u202FdB.${rest}`;
  const drowned = gateways
    .filter(
      ({ status, heard, expected }) => status === "drowned" || (status === "too few" && heard < expected / 2),
    )
    .map((one) => `${titleOf(one.eui)} heard ${figure(one.heard)} of about ${figure(one.expected)} packets`);
  switch (reason) {
    case "one gateway":
      return "Where it is strongest is open: no other gateway listens to compare with.";
    case "drowned":
      return `Where it is strongest is open: ${listed(drowned)} meanwhile, so it may be strongest there.`;
    case "interval":
      return `Where it is strongest is open: the gateways differ by less than the comparison can tell.${rest}`;
    default:
      return "Where it is strongest is open: too few frames of the other gateways show the noise in this time.";
  }
}

function namesOf(titles: readonly string[]): string {
  return titles.length > 3 ? counted(titles.length, "gateway") : listed(titles);
}

/** The direction to walk in. A comparison of powers gives no bearing, and the words do not either. */
export function walkWords(from: string, towards: string, distanceM: number): string {
  return `Walk from ${from} towards ${towards} (${distanceWords(distanceM)}) and measure again. This is a direction to try, not a bearing: walls, antennas and receivers make such differences too.`;
}

const WIDTHS: Readonly<Record<NoiseSource["width"], string>> = {
  "one channel": "on this channel only",
  "several channels": "on several channels",
  "all channels": "on every channel that can be judged",
  open: "how wide is open",
};

/** "868.3 MHz, 16.2 dB louder for 1 h 15 min, steady, on this channel only." */
export function sourceWords(
  source: Pick<
    NoiseSource,
    "kind" | "from" | "to" | "beginSeen" | "endSeen" | "frequenciesHz" | "width" | "course"
  >,
  riseDb: number | null,
  at: string,
): string {
  const { kind, from, to, beginSeen, endSeen, frequenciesHz, width, course } = source;
  const [only] = frequenciesHz;
  const where = frequenciesHz.length === 1 ? megahertz(only) : counted(frequenciesHz.length, "channel");
  const size = riseDb === null ? "louder" : `${decibel(riseDb)} louder`;
  const seconds = Math.round((Date.parse(to) - Date.parse(from)) / 60_000) * 60;
  const long = `for ${beginSeen ? "" : "at least "}${duration(seconds)}${endSeen ? "" : " so far"}`;
  const when =
    kind === "standing"
      ? "than its other channels, all the time"
      : kind === "pulsed"
        ? `in pulses, seen ${long}`
        : long;
  return `${where}: ${size} ${when} at ${at}, ${courseWords(course)}, ${WIDTHS[width]}.`;
}

function courseWords({ verdict, periodSeconds, onShare }: NoiseSource["course"]): string {
  if (verdict === "steady") return "steady as far as frames show";
  if (verdict === "pulsed" && periodSeconds !== null)
    return `one pulse every ${duration(periodSeconds)}${onShare === null ? "" : `, on for about ${percent(onShare, 0)} of it`}`;
  return "steady or pulsed is open";
}

// What does a neighbour's network do to you, in a few plain sentences?

/** Weeks recorded enough that growth needs: two would be a difference, and no trend. Chosen. */
export const MIN_GROWTH_WEEKS = 3;

/** "Grows by 12 s a day each week (8 to 16), 6 % of its median day." */
export function growthWords(
  { verdict, secondsPerDayPerWeek, interval95, sharePerWeek }: Omit<StrangerGrowth, "words">,
  weeks: number,
): string {
  if (verdict === "not enough" || secondsPerDayPerWeek === null || interval95 === null)
    return `Not enough to say: ${counted(weeks, "week")} recorded enough, ${MIN_GROWTH_WEEKS} are needed.`;
  const [low, high] = interval95;
  const size = `${signedWithUnit(secondsPerDayPerWeek, 1, "s")} a day each week (${figure(low, 1)} to ${figure(high, 1)})`;
  if (verdict === "steady") return `Steady, within chance: ${size}.`;
  const share = sharePerWeek === null ? "" : `, ${percent(Math.abs(sharePerWeek), 0)} of its median day`;
  return `${verdict === "grows" ? "Grows" : "Shrinks"}: ${size}${share}.`;
}

/** "0.8 % of its frames by ALOHA, 0.6 % to 0.7 % with capture" */
function lossText({ aloha, captureTheory, captureMeasured }: CollisionShare): string {
  const plain = `${percent(aloha, 2)} of its frames by ALOHA`;
  if (captureTheory === null || captureMeasured === null) return plain;
  const [low, high] = [captureTheory, captureMeasured].sort((a, b) => a - b).map((one) => percent(one, 2));
  return `${plain}, ${low === high ? low : `${low} to ${high}`} with capture`;
}

export function costWords(
  { frames, collisions, worstNetwork, worstShare }: Omit<StrangerCost, "words">,
  gatewayTitle: string,
): string {
  const most = worstNetwork === null || worstShare === null ? "" : `, most to ${worstNetwork}`;
  return `At ${gatewayTitle} strangers should spoil ${lossText(collisions)}${most} (${counted(frames, "frame")} heard).`;
}

export function strangersSentence(
  networks: readonly StrangerNetwork[],
  nodes: readonly StrangerCost[],
): string {
  if (networks.length === 0) return "No stranger was heard in this window.";
  const seconds = networks.reduce((sum, one) => sum + one.airtimeSeconds, 0);
  const share = networks.reduce((sum, one) => sum + one.share, 0);
  const parts = [
    `Strangers of ${counted(networks.length, "network")} took ${duration(seconds)} of airtime, ${percent(share)} of that of all nodes heard.`,
  ];
  const growing = networks.filter(({ growth }) => growth.verdict === "grows");
  if (growing.length > 0)
    parts.push(
      `${growing
        .map(({ network }) => network)
        .slice(0, 3)
        .join(", ")} ${growing.length === 1 ? "grows" : "grow"}.`,
    );
  const [worst] = nodes;
  if (worst === undefined) parts.push("No own node was heard often enough to say what they cost.");
  else parts.push(`They should cost ${worst.name ?? worst.devAddr} most: ${lossText(worst.collisions)}.`);
  return parts.join(" ");
}

export const STRANGERS_CAUTION =
  "Expected, not observed: frames are taken to start at random, nodes of equal rhythm do worse. Strangers that no gateway read, those with a wrong CRC among them, are missing, so their airtime and its cost are lower bounds.";
