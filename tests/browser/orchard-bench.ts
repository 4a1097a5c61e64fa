/** What the bench says of the orchard's gateways: the shed is well but for its noise, the tower's clock was never set. */
import type { BenchReference, BenchView } from "../../src/contract/index.ts";
import {
  awaitedOf,
  type BenchEvidence,
  benchSentence,
  benchVerdict,
  judgeBench,
} from "../../src/diagnosis/bench/judge.ts";
import { referenceItems } from "../../src/diagnosis/bench/reference.ts";
import { channelsText, planChoices } from "../../src/radio/regions/plan-choice.ts";
import { SOUND } from "../diagnosis/bench/a-sound-gateway.ts";
import type { Span } from "./orchard.ts";
import { trialAnswer } from "./orchard-trials.ts";

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";

const EVIDENCE: Readonly<Record<string, BenchEvidence>> = {
  [SHED]: {
    ...SOUND,
    noise: SOUND.noise.map((channel, i) => ({
      ...channel,
      floor: { ...channel.floor, noiseDbm: i === 1 ? -104 : -114 },
    })),
    roundTrip: { pairsMs: [], trip: null, ackPercent: null },
  },
  [TOWER]: {
    ...SOUND,
    eui: TOWER,
    gatewayClock: { offsetsUs: [-1_773_478_800e6], newestAtUs: 1_773_478_800e6 },
    drift: {
      ...SOUND.drift,
      ppm: null,
      lowPpm: -7,
      highPpm: 9,
      spanSeconds: 400,
      against: "arrival",
      readings: 80,
    },
    noise: [],
  },
};

/** The tower stands for a gateway that is known to be good. */
export const REFERENCE: BenchReference = {
  eui: TOWER,
  name: "Water tower",
  maxOffsetDb: 3,
  maxLossPoints: 2,
};

const GATEWAYS = [
  { eui: SHED, name: "Packing shed" },
  { eui: TOWER, name: "Water tower" },
];

const PLANS: BenchView["plans"] = [
  { label: "Fennick test plan", region: null, channels: "867.1, 867.3\u202FMHz" },
  ...planChoices().map(({ label, plan, channels }) => ({
    label,
    region: plan.plan,
    channels: channelsText(channels),
  })),
];

/** null: a gateway that the orchard does not have. */
export function benchView(
  eui: string,
  span: Span,
  name: string | null = null,
  reference: BenchReference | null = null,
  expected: string | null = null,
): BenchView | null {
  const evidence = EVIDENCE[eui];
  if (evidence === undefined) return null;
  const iso = (ms: number) => new Date(ms).toISOString();
  const window = { from: iso(span.fromMs), to: iso(span.toMs), live: span.live };
  const items = [
    ...judgeBench(evidence),
    ...(reference === null || reference.eui === eui
      ? []
      : referenceItems(trialAnswer(window), {
          offsetDb: reference.maxOffsetDb,
          loss: reference.maxLossPoints / 100,
        })),
  ];
  const said = name ?? (eui === SHED ? "Packing shed" : null);
  return {
    window,
    eui,
    notices: [],
    name: said,
    source: "192.0.2.10 40212",
    firstHeard: iso(span.fromMs),
    lastHeard: iso(span.toMs - 2_000),
    verdict: benchVerdict(items),
    sentence: benchSentence(said ?? `Gateway ${eui}`, items),
    awaited: awaitedOf(items),
    expected,
    plans: PLANS,
    items,
    reference,
    others: GATEWAYS.filter((one) => one.eui !== eui),
    feed: [
      "1 reception: 868.3\u202FMHz SF9 \u221297\u202FdBm 6.2\u202FdB",
      "keepalive",
      "status report: 7 received, 5 forwarded, 100\u202F% answered in time",
      "2 receptions: 868.1\u202FMHz SF7 \u2212104\u202FdBm 1.5\u202FdB, 868.5\u202FMHz SF12 \u2212118\u202FdBm \u22129.8\u202FdB",
      "keepalive",
    ].map((words, i) => ({ id: `d${i}`, at: iso(span.toMs - 2_000 - i * 4_700), words })),
  };
}
