/**
 * Who sends beside the nodes that the scenario lists? The crowd of strangers of a congestion, and the second devices
 * that share a node's address; each by the same rules as a node of its own.
 */

import type { TimeRange } from "../model/time-range.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { eventsOf } from "./events.ts";
import type { Node, Scenario } from "./scenario.ts";
import { below, type Random } from "./time-and-chance.ts";

/** One sender that an event brings, and when it sends. */
export interface Extra {
  readonly node: Node;
  readonly isStranger: boolean;
  readonly active: TimeRange;
}

const CROWD_PAYLOAD_BYTES = 12;
// LoRaWAN frame: 8 octets of header, one of port, 4 of integrity code.
const FRAME_OVERHEAD_BYTES = 13;

/** All extra senders of a scenario, drawn from `random`. */
export function extrasOf(scenario: Scenario, random: Random): Extra[] {
  const template = templateNode();
  const crowds = eventsOf(scenario.events, "congestion").flatMap((event, number) => {
    const chance = random.fork(`crowd ${number}`);
    const channelsHz = event.frequenciesHz ?? scenario.channelsHz;
    const factors = Array.from(
      { length: event.devices },
      () => event.spreadingFactors[below(chance, event.spreadingFactors.length)] ?? 7,
    );
    const airtimeSeconds = factors.reduce((sum, sf) => sum + crowdAirtimeSeconds(sf), 0);
    // Each device sends once in this time; together their airtime on each channel is `load` of it.
    const rhythmSeconds = Math.max(1, airtimeSeconds / (event.load * channelsHz.length));
    return factors.map((spreadingFactor, index): Extra => {
      const [weakest, strongest] = event.pathGainDb;
      const levels = scenario.gateways.map(({ eui }) => [
        eui,
        weakest + (strongest - weakest) * chance.uniform(),
      ]);
      return {
        isStranger: true,
        active: { fromUs: event.from, toUs: event.to },
        node: {
          ...template,
          name: `Stranger ${number + 1}.${index + 1}`,
          kind: "stranger",
          devAddr: strangerAddress(chance),
          rhythmSeconds,
          spreadingFactor,
          startCounter: below(chance, 60_000),
          pathGainDb: Object.fromEntries(levels) as Record<string, number>,
          channelsHz,
        },
      };
    });
  });
  const seconds = eventsOf(scenario.events, "shared-address").flatMap((event, number): Extra[] => {
    const first = [...scenario.nodes, ...scenario.strangers].find(({ name }) => name === event.node);
    if (first === undefined) return [];
    return [
      {
        isStranger: scenario.strangers.includes(first),
        active: { fromUs: event.from, toUs: event.to },
        node: {
          ...first,
          name: `${first.name}, second device${number === 0 ? "" : ` ${number + 1}`}`,
          activation: "abp",
          rhythmSeconds: event.rhythmSeconds ?? first.rhythmSeconds,
          spreadingFactor: event.spreadingFactor ?? first.spreadingFactor,
          transmitPowerDbm: first.transmitPowerDbm + event.levelDb,
          startCounter: event.startCounter,
          crystalPpm: undefined,
        },
      },
    ];
  });
  return [...crowds, ...seconds];
}

function crowdAirtimeSeconds(spreadingFactor: number): number {
  const modulation = { kind: "lora", spreadingFactor, bandwidthHz: 125_000, codingRate: "4/5" } as const;
  return airtimeOfReception(modulation, CROWD_PAYLOAD_BYTES + FRAME_OVERHEAD_BYTES, "ok") / 1e6;
}

/** An address of NetID type 3 (prefix 1110), which no node of an invented site has. */
function strangerAddress(random: Random): string {
  const value = 0xe000_0000 + below(random, 0x1000_0000);
  return value.toString(16).toUpperCase().padStart(8, "0");
}

function templateNode(): Node {
  return {
    name: "",
    kind: "stranger",
    devAddr: "E0000000",
    activation: "abp",
    joinEui: "02005E10000000F0",
    rhythmSeconds: 60,
    jitterShare: 0,
    schedule: "random",
    clockPpm: 0,
    hopping: "random",
    framesARhythm: 12,
    payloadBytes: CROWD_PAYLOAD_BYTES,
    constantPayload: false,
    fPort: 1,
    spreadingFactor: 7,
    bandwidthHz: 125_000,
    transmitPowerDbm: 14,
    pathGainDb: {},
    fastFading: "normal",
    ricianKDb: 8,
    fastFadingDb: 1.2,
    slowFadingDb: 1.2,
    slowFadingMinutes: 30,
    transmissions: 1,
    repeatSeconds: 3,
    confirmed: false,
    confirmedAttempts: 1,
    adr: true,
    startCounter: 0,
    channelsHz: [],
  };
}
