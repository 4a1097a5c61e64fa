/** What does a neighbour's network do to you, in a few plain sentences? */
import type { CollisionShare } from "../contract/air.ts";
import type { StrangerCost, StrangerGrowth, StrangerNetwork } from "../contract/strangers.ts";
import { counted, duration, figure, percent, signedWithUnit } from "../words/format.ts";

/** Weeks recorded enough that growth needs: two would be a difference, and no trend. Chosen. */
export const LEAST_GROWTH_WEEKS = 3;

/** "Grows by 12 s a day each week (8 to 16), 6 % of its median day." */
export function growthWords(
  { verdict, secondsPerDayPerWeek, interval95, sharePerWeek }: Omit<StrangerGrowth, "words">,
  weeks: number,
): string {
  if (verdict === "not enough" || secondsPerDayPerWeek === null || interval95 === null)
    return `Not enough to say: ${counted(weeks, "week")} recorded enough, ${LEAST_GROWTH_WEEKS} are needed.`;
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
