/** What does a trial say whose sides stood one after the other? */

import type { TrialAnswer } from "../../contract/trials.ts";
import { methodWords } from "../../diagnosis/trials/sentences.ts";
import { sequentialTrial } from "../../diagnosis/trials/sequential.ts";
import { LIMITS } from "../../diagnosis/trials/verdict.ts";
import { rounded } from "../../model/rounding.ts";
import type { Store } from "../../store/open.ts";
import { allGateways } from "../../store/queries/gateways.ts";
import { labels } from "../../store/queries/lives.ts";
import { decibel } from "../../words/format.ts";
import type { Gathered } from "./evidence.ts";
import {
  channelLabel,
  histogram,
  intervalOf,
  type Judged,
  MAX_NODES,
  mostFrames,
  SHARE_DIGITS,
  sequentialGroups,
  sideCounts,
  spanOf,
} from "./groups.ts";

type Control = NonNullable<TrialAnswer["control"]>;

/** `changed`: the sentence of what else may have changed between the two, where it is not that of two placements. */
export function judgeSequential(
  store: Store,
  { controlId }: Pick<Gathered, "controlId">,
  evidence: Parameters<typeof sequentialTrial>[0],
  changed?: string,
): Judged {
  const { nodes } = evidence;
  const result = sequentialTrial(evidence);
  const a = nodes.flatMap((node) => node.a);
  const b = nodes.flatMap((node) => node.b);
  const { snr, uncontrolled, delivery } = result;
  const drift = uncontrolled === null || snr === null ? null : uncontrolled.estimate - snr.estimate;
  const isDrifting = drift !== null && Math.abs(drift) > LIMITS.snrDb;
  const gateway = allGateways(store).find(({ id }) => id === controlId);
  const control: Control | null =
    uncontrolled === null || gateway === undefined
      ? null
      : {
          gatewayEui: gateway.eui,
          gatewayName: labels(store, "gateway").get(gateway.eui)?.name ?? null,
          uncontrolledSnrDifferenceDb: intervalOf(uncontrolled),
        };
  return {
    paired: false,
    // Where a gateway that stood still saw the nodes themselves change, their losses tell of that too.
    differences: { snr, delivery: isDrifting ? null : (delivery?.difference ?? null) },
    frames: result.frames,
    ...spanOf([...a, ...b]),
    reservations: [
      changed ?? changedBetween(turnsOf(nodes), control),
      ...sequentialReservations(result, control, isDrifting ? drift : null),
    ],
    parts: () => ({
      commonFrames: null,
      delivery: {
        a: sideCounts(a.map(({ heard }) => heard)),
        b: sideCounts(b.map(({ heard }) => heard)),
        pairs: null,
        mcnemarP: null,
        mcnemarMethod: null,
        designEffect: rounded(delivery?.designEffect ?? 1, 2),
      },
      control,
      nodes: result.nodes
        .map(({ node, method, snr: own, weight, delivery: share }) => ({
          devAddr: node.devAddr,
          name: node.name,
          a: sideCounts(node.a.map(({ heard }) => heard)),
          b: sideCounts(node.b.map(({ heard }) => heard)),
          pairs: null,
          snrDifferenceDb: intervalOf(own),
          deliveryDifference: intervalOf(share, SHARE_DIGITS),
          weight: rounded(weight, SHARE_DIGITS),
          method,
          methodWords: methodWords(method),
        }))
        .sort(mostFrames)
        .slice(0, MAX_NODES),
      spreadingFactors: sequentialGroups(nodes, ({ rate }) => rate.label),
      channels: sequentialGroups(nodes, channelLabel),
      snr: histogram(
        a.map(({ heard }) => heard),
        b.map(({ heard }) => heard),
      ),
      difference: null,
    }),
  };
}

/** Changes from one side to the other from which they were swapped back and forth: A, B, A, B has three. */
const MIN_TURNS = 3;

/** How often the frames of the two sides, in order of time, change from one to the other. */
function turnsOf(nodes: Parameters<typeof sequentialTrial>[0]["nodes"]): number {
  const times = nodes
    .flatMap(({ a, b }) => [
      ...a.map(({ atUs }) => ({ atUs, side: "a" })),
      ...b.map(({ atUs }) => ({ atUs, side: "b" })),
    ])
    .sort((one, other) => one.atUs - other.atUs);
  return times.filter(({ side }, i) => i > 0 && times[i - 1]?.side !== side).length;
}

/** What else may have changed between two placements. */
function changedBetween(turns: number, control: Control | null): string {
  const changed =
    "Weather, leaves, other senders and the nodes' batteries may have changed between the two as well";
  if (turns >= MIN_TURNS)
    return `${changed}; the two took turns ${turns} times, which evens out a part of that.`;
  return control !== null
    ? `${changed}; swapping back and forth (A, B, A, B) would tell a part of that apart.`
    : `${changed}; swapping back and forth (A, B, A, B) or a second gateway that stands still would tell them apart.`;
}

function sequentialReservations(
  result: ReturnType<typeof sequentialTrial>,
  control: Control | null,
  drift: number | null,
): string[] {
  const words: string[] = [];
  if (result.nodes.length > 0 && result.dayMatched < result.nodes.length)
    words.push("The two were heard at different times of day, and a site has its daily course.");
  const unknown = result.nodes.filter(({ method }) => method === "power unknown").length;
  if (unknown > 0)
    words.push(
      `${unknown} of ${result.nodes.length} nodes accepted a command between the two that may have changed their power; they take no part in the level.`,
    );
  if (control !== null) {
    const name = control.gatewayName ?? control.gatewayEui;
    words.push(`What ${name}, which stood still, saw change at the same nodes was taken off.`);
    if (drift !== null)
      words.push(
        `${name} itself saw the nodes change by ${decibel(drift)}: the loss of frames tells of that too, and decides nothing here.`,
      );
  }
  return words;
}
