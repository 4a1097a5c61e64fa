/**
 * A simulated link as the store would hand it over: its frames at one gateway, and its counters one by one. The
 * simulator's own way and receiver, without octets and datagrams between them.
 */
import type { Outcome } from "../../src/diagnosis/link-delivery.ts";
import { type LinkFrame, marginOf } from "../../src/diagnosis/link-frame.ts";
import { thermalNoiseDbm } from "../../src/radio/noise.ts";
import { deliveryProbability, Link, marginDb, reportSignal } from "../../src/simulate/radio-link.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { gateway, node, SHED, site } from "../simulate/small-site.ts";

export interface Course {
  readonly frames: readonly LinkFrame[];
  /** One a counter sent, in order. */
  readonly outcomes: readonly Outcome[];
  readonly sent: number;
  readonly heard: number;
}

export interface Asked {
  readonly hours: number;
  readonly seed: number;
  /** What befalls the link, as in a scenario. */
  readonly events?: readonly object[];
  readonly factorAt?: (hour: number) => number;
  readonly noiseRiseAt?: (hour: number) => number;
  /** As in a scenario's node. */
  readonly [key: string]: unknown;
}

/** Times count from the start of the run, microseconds. */
export function courseOf({ hours, seed, events = [], factorAt, noiseRiseAt, ...more }: Asked): Course {
  const scenario = site({
    duration: `${hours}:00:00`,
    gateways: [gateway(SHED)],
    nodes: [node({ rhythmSeconds: 60, spreadingFactor: 9, pathGainDb: { [SHED]: -134 }, ...more })],
    events,
  });
  const [sender] = scenario.nodes;
  const [receiver] = scenario.gateways;
  if (sender === undefined || receiver === undefined) throw new Error("no link");
  const random = createRandom(seed, "link");
  const link = new Link(sender, receiver, scenario.events, random);
  const luck = random.fork("luck");
  const scatter = random.fork("scatter");
  const frames: LinkFrame[] = [];
  const outcomes: Outcome[] = [];
  for (
    let atUs = 0;
    atUs < hours * 3.6e9;
    atUs += sender.rhythmSeconds * 1e6 * (0.95 + 0.1 * luck.uniform())
  ) {
    const hour = atUs / 3.6e9;
    const spreadingFactor = factorAt?.(hour) ?? sender.spreadingFactor;
    const noiseDbm = thermalNoiseDbm(125_000, receiver.noiseFigureDb) + (noiseRiseAt?.(hour) ?? 0);
    const powerDbm = link.powersDbm(atUs)?.[0] ?? Number.NEGATIVE_INFINITY;
    const isRead = luck.uniform() < deliveryProbability(marginDb(powerDbm - noiseDbm, spreadingFactor));
    const signal = reportSignal(powerDbm, noiseDbm, [], scatter);
    const frame: LinkFrame = {
      atUs: Math.round(atUs),
      counter: outcomes.length,
      spreadingFactor,
      bandwidthHz: 125_000,
      frequencyHz: 868_100_000,
      frequencyOffsetHz: null,
      ...signal,
    };
    outcomes.push(isRead ? marginOf(frame) : null);
    if (isRead) frames.push(frame);
  }
  return { frames, outcomes, sent: outcomes.length, heard: frames.length };
}
