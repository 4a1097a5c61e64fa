/**
 * What is true of a run? The simulator's own account of what it did, in the terms of the ledger that it judges.
 *
 * Definitions. *Heard* means that it reached the listener: a frame counts when at least one datagram with a reception
 * of it whose CRC was right was handed to the network and not lost. A *life* is one run of counters of one device
 * address. Per life: `expected` = last heard − first heard + 1; `heard` = distinct 32-bit counters heard; `missed` =
 * expected − heard; so counters before the first and after the last heard are in `sent`, and nowhere else.
 * Airtime is counted once a transmission, however many gateways heard it, at its true time on the air, from start
 * to end, and includes transmissions heard with a wrong CRC. Copies of a datagram count as datagrams and as nothing else.
 * Times are ISO 8601 in UTC; they are those of the world, also when the run was faster than its scenario.
 */
import { z } from "zod";

/**
 * Why a counter was not heard: the cause that came nearest to hearing it, in this order. `in-flight`: a radio had it,
 * but its datagram had not left or not arrived when the gateway lost power or the run was stopped. `noise`: the injected
 * interferers' alone; `weakened`: a `gateway-weakened` alone; `weak`: below the demodulator's floor, by distance or by
 * fading, also without them.
 */
export const COUNTER_FATES = [
  "heard",
  "datagram-lost",
  "backhaul-outage",
  "in-flight",
  "gateway-off",
  "gateway-deaf",
  "gateway-transmitting",
  "off-channel",
  "no-demodulator",
  "collision",
  "noise",
  "weakened",
  "weak",
] as const;
export type CounterFate = (typeof COUNTER_FATES)[number];

const Count = z.number().int().min(0);
const Time = z.iso.datetime();

export const TruthCounter = z.object({
  counter: Count.describe("32-bit counter; 16 low bits were sent"),
  at: Time.describe("start of its first transmission"),
  transmissions: Count.describe("times that it was sent, repeats included"),
  heardTransmissions: Count.describe("of these, transmissions that reached the listener"),
  receptions: Count.describe("receptions (antennas of gateways) with a right CRC that reached the listener"),
  gateways: z.array(z.string()).describe("gateways through which it was heard"),
  fate: z.enum(COUNTER_FATES),
  duringOutage: z
    .boolean()
    .describe("every transmission ended while no gateway was on and had a way to the listener"),
});
export type TruthCounter = z.infer<typeof TruthCounter>;

export const TruthLife = z.object({
  name: z.string(),
  kind: z.string(),
  stranger: z.boolean(),
  devAddr: z.string(),
  life: z
    .number()
    .int()
    .nullable()
    .describe(
      "1 for the first life of this address that was heard, then 2 …; null when nothing of it was heard",
    ),
  began: z.enum(["start", "join", "reset"]),
  sent: Count.describe("counters spent on frames"),
  transmissions: Count.describe("transmissions, repeats included"),
  heard: Count,
  firstHeardCounter: Count.nullable(),
  lastHeardCounter: Count.nullable(),
  expected: Count,
  missed: Count,
  missedDuringOutage: Count.describe("of the missed, those with `duringOutage`"),
  repeats: Count.describe("heard transmissions of a counter beyond its first heard one"),
  receptions: Count,
  heardByGateway: z.record(z.string(), Count).describe("distinct counters heard through each gateway"),
  firstHeard: Time.nullable().describe("end of the first heard transmission"),
  lastHeard: Time.nullable(),
  keys: z
    .object({ nwkSKey: z.string(), appSKey: z.string() })
    .describe("session keys of this synthetic life, hex"),
  counters: z.array(TruthCounter),
});
export type TruthLife = z.infer<typeof TruthLife>;

export const TruthGateway = z.object({
  eui: z.string(),
  name: z.string(),
  protocolVersion: z.union([z.literal(1), z.literal(2)]),
  datagrams: Count.describe("datagrams that reached the listener, copies included"),
  copies: Count.describe("of these, second arrivals of the same datagram"),
  pushData: Count.describe("PUSH_DATA without copies"),
  pullData: Count.describe("PULL_DATA without copies"),
  statusReports: Count,
  datagramsLost: Count.describe("sent, but lost in the network or in a backhaul outage"),
  receptions: Count.describe("receptions (antennas) that reached the listener, wrong CRC included"),
  crcBad: Count.describe("of these, with a wrong CRC"),
  ghosts: Count.describe("weak second appearances of strong frames, beside the receptions"),
  pullResponses: Count.describe("what the site's own network server asked it to send"),
  txAcks: Count.describe("its answers that reached the listener"),
  txRefused: Count.describe("of these, refusals"),
  transmitted: Count.describe("packets that it transmitted"),
  transmitSeconds: z.number().describe("time on the air of these, in which it was deaf"),
  restarts: Count,
  outages: z.array(z.object({ from: Time, to: Time, kind: z.enum(["backhaul", "power"]) })),
});
export type TruthGateway = z.infer<typeof TruthGateway>;

const TruthLoad = z.object({
  receptions: Count,
  transmissions: Count,
  airtimeSeconds: z.number().describe("sum over transmissions"),
  busySeconds: z.number().describe("union of the intervals in which they were on the air"),
});

export const TruthChannel = TruthLoad.extend({
  frequencyHz: z.number().int(),
  gateways: z.array(TruthLoad.extend({ eui: z.string() })).describe("the same through one gateway each"),
});
export type TruthChannel = z.infer<typeof TruthChannel>;

export const TruthEpisode = z.object({
  cause: z.string().describe("as findings name it"),
  alsoTrue: z.array(z.string()).describe("other causes that would be true of it as well"),
  from: Time,
  to: Time,
  nodes: z
    .array(z.object({ name: z.string(), devAddrs: z.array(z.string()) }))
    .describe("whose frames it can cost: one node's, or all nodes'"),
  gateways: z.array(z.string()).describe("at which gateways"),
  strength: z.record(z.string(), z.number()).describe("as in the event, figures only"),
});
export type TruthEpisode = z.infer<typeof TruthEpisode>;

export const Truth = z.object({
  title: z.string(),
  site: z.string(),
  seed: Count,
  speed: z.number(),
  from: Time,
  to: Time.describe("end of the scenario, or the moment at which the run was stopped"),
  nodes: z.array(TruthLife).describe("one entry a life, strangers included"),
  joins: z.array(z.object({ name: z.string(), at: Time, receptions: Count })),
  gateways: z.array(TruthGateway),
  channels: z.array(TruthChannel),
  injected: z.array(TruthEpisode).describe("the causes that the events inject, in order of time"),
  events: z.array(z.record(z.string(), z.unknown())).describe("as in the scenario, times as world time"),
});
export type Truth = z.infer<typeof Truth>;
