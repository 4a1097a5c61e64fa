/** What the bench says of the orchard's gateways: the shed is well but for its noise, the tower's clock was never set. */
import type { BenchReference, BenchView, DeliveryAtSnr, ReceiverView } from "../../src/contract/index.ts";
import {
  awaitedOf,
  type BenchEvidence,
  benchSentence,
  benchVerdict,
  judgeBench,
} from "../../src/diagnosis/bench/judge.ts";
import { referenceItems } from "../../src/diagnosis/bench/reference.ts";
import { RECEIVER_LIMITS, receiverSentence } from "../../src/diagnosis/receiver/sentences.ts";
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

/** The gateways that have a list. */
export const EUIS = Object.keys(EVIDENCE);

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
    serial: null,
    signedOff: null,
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

/** A knee as drawn: half of `above` at `levelDb`. */
function pointsAbout(levelDb: number, floorDb: number, above: number): DeliveryAtSnr[] {
  return Array.from({ length: 12 }, (_, i) => {
    const snrDb = floorDb - 4.5 + i;
    const delivered = above / (1 + Math.exp((-1.702 * (snrDb - levelDb)) / 1.3));
    const half = 0.12 * (1 - Math.abs(delivered - 0.5)) + 0.03;
    return {
      snrDb,
      frames: 60,
      delivered,
      interval95: [Math.max(0, delivered - half), Math.min(1, delivered + half)],
    };
  });
}

/** The shed's receiver is as its data sheet says; SF12 was heard too well to tell. */
export function receiverView(eui: string, span: Span): ReceiverView | null {
  const name = GATEWAYS.find((one) => one.eui === eui)?.name ?? null;
  if (name === null) return null;
  const iso = (ms: number) => new Date(ms).toISOString();
  const overall = { offsetDb: -0.4, lowDb: -0.8, highDb: 0 };
  const factor = (spreadingFactor: number, floorDb: number, levelDb: number, half: number) => ({
    spreadingFactor,
    floorDb,
    levelDb,
    interval95: [levelDb - half, levelDb + half] as [number, number],
    widthDb: 1.3,
    deliveredAbove: 0.97,
    nodes: 3,
    frames: 812,
    missed: 164,
    sentence: `demodulates SF${spreadingFactor} down to \u2212${-levelDb}\u202FdB`,
    points: pointsAbout(levelDb, floorDb, 0.97),
  });
  return {
    window: { from: iso(span.fromMs), to: iso(span.toMs), live: span.live },
    eui,
    name,
    verdict: "sound",
    sentence: receiverSentence(name, {
      basis: "others",
      verdict: "sound",
      overall,
      lack: null,
      factors: [],
      leftOut: 0,
    }),
    basis: "others",
    basisText: "From frames that another gateway heard.",
    overall: { offsetDb: -0.4, interval95: [-0.8, 0] },
    factors: [
      factor(7, -7.5, -7.8, 0.6),
      factor(9, -12.5, -13.1, 0.5),
      {
        ...factor(12, -20, -20, 0),
        levelDb: null,
        interval95: null,
        widthDb: null,
        deliveredAbove: null,
        nodes: 1,
        frames: 90,
        missed: 2,
        sentence: "SF12: not enough yet, too few frames were missed to tell; data sheet \u221220.0\u202FdB",
        points: [],
      },
    ],
    leftOut: 0,
    noise: {
      noiseDbm: -114.2,
      overThermalDb: 8.8,
      frames: 640,
      sentence:
        "Its noise is \u2212114\u202FdBm on 3 channels, 8.8\u202FdB over thermal noise: receiver and place together.",
      others: [],
    },
    reference: null,
    limits: [...RECEIVER_LIMITS],
  };
}
