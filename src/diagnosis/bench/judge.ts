/** How does the gateway stand as a whole? The checks in the order in which they are read, one verdict, one sentence. */
import type { BenchItem, BenchState, Sentence } from "../../contract/index.ts";
import type { CounterDrift } from "../../radio/counter-drift.ts";
import { duration, listed, plural } from "../../words/format.ts";

import { type ChannelsEvidence, judgeChannels } from "./channels.ts";
import {
  type GatewayClockEvidence,
  judgeCounterDrift,
  judgeGatewayClock,
  judgeRestarts,
  type RestartEvidence,
  type Standstill,
} from "./clocks.ts";
import { type DownlinkEvidence, judgeDownlinks, judgeRoundTrip, type RoundTripEvidence } from "./downlink.ts";
import {
  judgeKeepalives,
  judgeOrder,
  judgeRefused,
  judgeStatusReports,
  type KeepaliveEvidence,
  type OrderEvidence,
  type RefusedEvidence,
  type StatusEvidence,
} from "./heartbeat.ts";
import {
  judgeIdentifier,
  judgeOneGateway,
  judgePacketTime,
  judgeProtocol,
  type OneGatewayEvidence,
  type PacketTimeEvidence,
  type ProtocolEvidence,
} from "./identity.ts";
import { type Found, itemOf, LIMITS } from "./limits.ts";
import {
  type AcknowledgedEvidence,
  type ArrivedEvidence,
  type CountEvidence,
  judgeAcknowledged,
  judgeArrived,
  judgeForwarded,
} from "./packet-counts.ts";
import {
  type CrcEvidence,
  type DataRateEvidence,
  judgeCrcFailed,
  judgeDataRates,
  judgeOverheard,
  judgeRadio,
  type OverheardEvidence,
  type RadioEvidence,
} from "./radio.ts";
import { judgeRegion, type RegionEvidence } from "./region.ts";

import { judgeLevels, judgeNoise, judgeOverload, type LevelEvidence, type NoiseChannel } from "./signal.ts";

/** All that a bench list rests on. */
export interface BenchEvidence {
  readonly eui: string;
  readonly keepalives: KeepaliveEvidence;
  readonly status: StatusEvidence;
  readonly protocol: ProtocolEvidence;
  readonly oneGateway: OneGatewayEvidence;
  readonly gatewayClock: GatewayClockEvidence;
  readonly drift: CounterDrift | null;
  /** The longest run of packets whose counter did not move; null: it always moved. */
  readonly standstill: Standstill | null;
  readonly packetTime: PacketTimeEvidence;
  readonly restarts: RestartEvidence;
  readonly acknowledged: AcknowledgedEvidence;
  readonly radio: RadioEvidence;
  readonly dataRates: DataRateEvidence;
  readonly overheard: OverheardEvidence;
  readonly counts: CountEvidence;
  readonly arrived: ArrivedEvidence;
  readonly crc: CrcEvidence;
  readonly channels: ChannelsEvidence;
  readonly region: RegionEvidence;
  readonly levels: LevelEvidence;
  readonly noise: readonly NoiseChannel[];
  readonly order: OrderEvidence;
  readonly refused: RefusedEvidence;
  readonly roundTrip: RoundTripEvidence;
  readonly downlinks: DownlinkEvidence;
  /** Checks that rest on the newest part of the window only, by id: its begin, ISO 8601. */
  readonly since: Readonly<Record<string, string>>;
}

/** Every check, in the order of a bring-up: is it there, who is it, its clocks, its counts, its radio, downlinks. */
export function judgeBench(evidence: BenchEvidence): BenchItem[] {
  const { since } = evidence;
  return itemsOf(evidence).map((item) => {
    const from = since[item.id];
    if (from === undefined) return item;
    const at = `${from.slice(0, 19)}Z`;
    return { ...item, since: from, reason: `${item.reason} From ${at} on; what came before was not read.` };
  });
}

function itemsOf(e: BenchEvidence): BenchItem[] {
  const check = (id: string, title: string, limits: { readonly basis: string }, found: Found) =>
    itemOf(id, title, limits.basis, found);
  return [
    check("keepalives", "Keepalives", LIMITS.keepalives, judgeKeepalives(e.keepalives)),
    check("status-reports", "Status reports", LIMITS.statusReports, judgeStatusReports(e.status)),
    check("protocol-version", "Protocol version", LIMITS.protocol, judgeProtocol(e.protocol)),
    check("identifier", "Identifier", LIMITS.identifier, judgeIdentifier(e.eui)),
    check("one-gateway", "Single gateway", LIMITS.oneGateway, judgeOneGateway(e.oneGateway)),
    check("gateway-clock", "Gateway clock", LIMITS.gatewayClock, judgeGatewayClock(e.gatewayClock)),
    check("counter-drift", "Counter clock", LIMITS.counterDrift, judgeCounterDrift(e.drift, e.standstill)),
    check("packet-time", "Time of packets", LIMITS.packetTime, judgePacketTime(e.packetTime)),
    check("restarts", "Restarts", LIMITS.restarts, judgeRestarts(e.restarts)),
    check("acknowledged", "Acknowledgements", LIMITS.acknowledged, judgeAcknowledged(e.acknowledged)),
    check("radio", "Radio", LIMITS.radio, judgeRadio(e.radio)),
    check("forwarded", "Packets forwarded", LIMITS.forwarded, judgeForwarded(e.counts)),
    check("arrived", "Packets arrived", LIMITS.arrived, judgeArrived(e.arrived)),
    check("crc-failed", "Wrong CRCs", LIMITS.crcFailed, judgeCrcFailed(e.crc)),
    check("region", "Channel plan", LIMITS.region, judgeRegion(e.region)),
    check("channels", "Channels heard", LIMITS.channels, judgeChannels(e.channels)),
    check("data-rates", "Data rates", LIMITS.dataRates, judgeDataRates(e.dataRates)),
    check("overheard-downlinks", "Downlinks of others", LIMITS.overheard, judgeOverheard(e.overheard)),
    check("overload", "Overload", LIMITS.overload, judgeOverload(e.levels)),
    check("levels", "Signal levels", LIMITS.levels, judgeLevels(e.levels)),
    check("noise", "Noise floor", LIMITS.noise, judgeNoise(e.noise)),
    check("datagram-order", "Order of datagrams", LIMITS.order, judgeOrder(e.order)),
    check("refused", "Rejected", LIMITS.refused, judgeRefused(e.refused)),
    check("round-trip", "Round trip", LIMITS.roundTrip, judgeRoundTrip(e.roundTrip)),
    check("downlinks", "Downlinks", LIMITS.downlinks, judgeDownlinks(e.downlinks)),
  ];
}

/** Without these nothing can be passed: the gateway must be there, report, and have heard its plan. */
const ESSENTIAL = new Set(["keepalives", "status-reports", "radio", "region", "channels"]);

/** The worst of the items; waiting only where an essential one waits and nothing is wrong. */
export function benchVerdict(items: readonly BenchItem[]): BenchState {
  if (items.some(({ state }) => state === "fail")) return "fail";
  if (items.some(({ state }) => state === "warn")) return "warn";
  return items.some(({ state, id }) => state === "waiting" && ESSENTIAL.has(id)) ? "waiting" : "pass";
}

/** Whether nothing more can be learned by waiting. */
export function isSettled(items: readonly BenchItem[]): boolean {
  return items.every(({ awaits }) => awaits === null);
}

/** How long until the essential checks can be judged, and what for; null: they can, or nothing tells how long. */
export function awaitedOf(items: readonly BenchItem[]): { seconds: number; text: string } | null {
  const open = items.filter(({ id, state }) => state === "waiting" && ESSENTIAL.has(id));
  const dated = open.flatMap(({ awaitsSeconds, awaits }) =>
    awaitsSeconds === null || awaits === null ? [] : [{ seconds: awaitsSeconds, text: awaits }],
  );
  return dated.reduce<{ seconds: number; text: string } | null>(
    (longest, one) => (longest === null || one.seconds > longest.seconds ? one : longest),
    null,
  );
}

/** What one channel adds to what all together say: only that it stands worse. */
function isNews({ unit, state, part }: BenchItem, all: readonly BenchItem[]): boolean {
  if (state !== "fail" && state !== "warn") return false;
  const whole = all.find((item) => item.part === part && item.channel === null && item.unit === unit);
  return whole === undefined || (whole.state !== "fail" && whole.state !== state);
}

/** The sentence at the top. `label`: the gateway's name, or its identifier. */
export function benchSentence(label: string, all: readonly BenchItem[]): Sentence {
  const items = all.filter((item) => item.channel === null || isNews(item, all));
  const of = (state: BenchState) => items.filter((item) => item.state === state);
  const failed = of("fail");
  const warned = of("warn");
  const waiting = of("waiting");
  const passed = of("pass");
  const names = (some: readonly BenchItem[]) => {
    // Titles are nouns; what is an abbreviation stays one.
    const shown = some.slice(0, 3).map(({ title }) => `${title.charAt(0).toLowerCase()}${title.slice(1)}`);
    return some.length > 3 ? `${shown.join(", ")} and ${some.length - 3} more` : listed(shown);
  };
  const rest = `${passed.length} of ${plural(items.length, "check")} passed${waiting.length === 0 ? "" : `, ${waiting.length} still open`}`;
  const awaited = awaitedOf(items);
  const countdown = awaited === null ? "" : ` About ${duration(awaited.seconds)} more: ${awaited.text}.`;
  const text =
    failed.length > 0
      ? `${label} fails ${plural(failed.length, "check")} (${names(failed)}); ${rest}.`
      : warned.length > 0
        ? `${label} works, with ${plural(warned.length, "warning")} (${names(warned)}); ${rest}.`
        : benchVerdict(items) === "waiting"
          ? `${label} cannot be judged yet: ${rest}.${countdown}`
          : `${label} is good: ${rest}.`;
  return [{ text }];
}
