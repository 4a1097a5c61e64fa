/**
 * What does the house say of a drawn site, and what is true of it? Datagrams in, through the decoder and the recorder
 * as a service that listens throughout, findings out of the Gaps view; the simulator's account beside it.
 */
import type { GapsView } from "../../src/contract/gaps.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import type { Arrival } from "../../src/model/datagram.ts";
import { subtract, type TimeRange } from "../../src/model/time-range.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import type { Truth } from "../../src/simulate/truth-schema.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import type { DrawnSite } from "./draw-site.ts";

export interface Played {
  readonly truth: Truth;
  readonly view: GapsView;
  readonly datagrams: number;
  /** When the listener was away. */
  readonly notRecorded: readonly TimeRange[];
  /** Times in which a radio heard something: of packets that came, and of reports that count one. */
  readonly signs: readonly TimeRange[];
}

const SERVER_PORT = 1700;
const PUSH_DATA = 0;
const PULL_DATA = 2;
const TX_ACK = 5;
const DATAGRAMS_A_COMMIT = 500;

export function playCase({ scenario, seesDownlinks, conditions }: DrawnSite, seed: number): Played {
  const clock = { startUs: Date.parse(scenario.start) * 1000, speed: 1 };
  const play = playSite(scenario, createRandom(seed), clock);
  // What the network asks of its gateways is seen only by who stands in line.
  const seen = captureSite(play, scenario, clock, { answers: false }).filter(({ to, bytes }) =>
    to.port === SERVER_PORT
      ? (seesDownlinks || bytes[3] !== TX_ACK) && (conditions.keepalives || bytes[3] !== PULL_DATA)
      : seesDownlinks,
  );
  const truth = play.truth.finish(seed, scenario.duration);
  const toUs = clock.startUs + scenario.duration;
  const notRecorded = conditions.notRecorded.map(({ fromSeconds, toSeconds }) => ({
    fromUs: clock.startUs + fromSeconds * 1e6,
    toUs: clock.startUs + toSeconds * 1e6,
  }));
  const store = openStore(":memory:");
  try {
    // Each recorded stretch is a service of its own: one that was stopped or fell, and was started again.
    for (const stretch of subtract([{ fromUs: clock.startUs, toUs }], notRecorded))
      record(
        store,
        seen.filter(({ atUs }) => atUs >= stretch.fromUs && atUs < stretch.toUs),
        stretch,
      );
    const view = gapsView(store, { fromUs: clock.startUs, toUs, live: false });
    return { truth, view, datagrams: seen.length, notRecorded, signs: signsIn(seen, scenario) };
  } finally {
    store.close();
  }
}

function signsIn(
  seen: readonly Pick<Arrival, "atUs" | "to" | "bytes">[],
  { gateways }: DrawnSite["scenario"],
): TimeRange[] {
  const intervalUs = new Map(gateways.map(({ eui, statSeconds }) => [eui, statSeconds * 1e6]));
  return seen.flatMap(({ atUs, to, bytes }) => {
    if (to.port !== SERVER_PORT || bytes[3] !== PUSH_DATA) return [];
    const decoding = decodeUpstream(bytes);
    if (!decoding.ok || decoding.datagram.kind !== "push-data") return [];
    const { packets, status, gatewayEui } = decoding.datagram;
    if (packets.length > 0) return [{ fromUs: atUs, toUs: atUs }];
    return (status?.rxReceived ?? 0) > 0
      ? [{ fromUs: atUs - (intervalUs.get(gatewayEui) ?? 0), toUs: atUs }]
      : [];
  });
}

function record(
  store: Store,
  seen: readonly Pick<Arrival, "atUs" | "from" | "to" | "bytes">[],
  { fromUs, toUs }: TimeRange,
): void {
  const recorder = new Recorder(store, judgeGap);
  recorder.listen(fromUs, "start");
  for (let at = 0; at < seen.length; at += DATAGRAMS_A_COMMIT) {
    const arrivals = seen.slice(at, at + DATAGRAMS_A_COMMIT).map((one) => {
      const arrival = { ...one, door: "udp" as const };
      return one.to.port === SERVER_PORT
        ? { arrival, decoding: decodeUpstream(one.bytes) }
        : { arrival, downlink: decodeDownstream(one.bytes) };
    });
    recorder.record(arrivals, { deferSettling: true });
  }
  recorder.settle();
  recorder.heartbeat(toUs, true);
  // Whoever listens knows that time went on when a gateway falls silent for good.
  while (recorder.workOnGaps({ patient: false, nowUs: toUs }));
  recorder.close();
}
