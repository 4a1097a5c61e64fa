/** How does the gateway stand as a whole? The checks in the order in which they are read, one verdict, one sentence. */
import type { BenchItem, BenchState, Sentence } from "../../contract/index.ts";
import type { CounterDrift } from "../../radio/counter-drift.ts";
import {
  type CountEvidence,
  type CrcEvidence,
  judgeAcknowledged,
  judgeArrived,
  judgeCrcFailed,
  judgeForwarded,
  type ReportInterval,
} from "./account.ts";
import { type ChannelsEvidence, judgeChannels, judgeRegion, type RegionEvidence } from "./channels.ts";
import {
  type GatewayClockEvidence,
  judgeCounterDrift,
  judgeGatewayClock,
  judgeRestarts,
  type RestartEvidence,
} from "./clocks.ts";
import { judgeOrder, judgeRefused, type OrderEvidence, type RefusedEvidence } from "./datagrams.ts";
import { type DownlinkEvidence, judgeDownlinks, judgeRoundTrip, type RoundTripEvidence } from "./downlink.ts";
import {
  judgeKeepalives,
  judgeStatusReports,
  type KeepaliveEvidence,
  type StatusEvidence,
} from "./heartbeat.ts";
import {
  judgeIdentifier,
  judgeOneGateway,
  judgeProtocol,
  type OneGatewayEvidence,
  type ProtocolEvidence,
} from "./identity.ts";
import { counted, listed } from "./item.ts";
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
  readonly restarts: RestartEvidence;
  readonly ackPercents: readonly (number | null)[];
  readonly counts: CountEvidence;
  readonly intervals: readonly ReportInterval[];
  readonly crc: CrcEvidence;
  readonly channels: ChannelsEvidence;
  readonly region: RegionEvidence;
  readonly levels: LevelEvidence;
  readonly noise: readonly NoiseChannel[];
  readonly order: OrderEvidence;
  readonly refused: RefusedEvidence;
  readonly roundTrip: RoundTripEvidence;
  readonly downlinks: DownlinkEvidence;
}

/** Every check, in the order of a bring-up: is it there, who is it, its clocks, its account, its radio, the way back. */
export function judgeBench(evidence: BenchEvidence): BenchItem[] {
  return [
    judgeKeepalives(evidence.keepalives),
    judgeStatusReports(evidence.status),
    judgeProtocol(evidence.protocol),
    judgeIdentifier(evidence.eui),
    judgeOneGateway(evidence.oneGateway),
    judgeGatewayClock(evidence.gatewayClock),
    judgeCounterDrift(evidence.drift),
    judgeRestarts(evidence.restarts),
    judgeAcknowledged(evidence.ackPercents),
    judgeForwarded(evidence.counts),
    judgeArrived(evidence.intervals),
    judgeCrcFailed(evidence.crc),
    judgeRegion(evidence.region),
    judgeChannels(evidence.channels),
    judgeOverload(evidence.levels),
    judgeLevels(evidence.levels),
    judgeNoise(evidence.noise),
    judgeOrder(evidence.order),
    judgeRefused(evidence.refused),
    judgeRoundTrip(evidence.roundTrip),
    judgeDownlinks(evidence.downlinks),
  ];
}

/** Without these nothing can be passed: the gateway must be there, report, and have heard its plan. */
const ESSENTIAL = new Set(["keepalives", "status-reports", "region", "channels"]);

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
  const rest = `${passed.length} of ${counted(items.length, "check")} passed${waiting.length === 0 ? "" : `, ${waiting.length} still open`}`;
  const text =
    failed.length > 0
      ? `${label} fails ${counted(failed.length, "check")} (${names(failed)}); ${rest}.`
      : warned.length > 0
        ? `${label} works, but ${counted(warned.length, "check needs", "checks need")} a look (${names(warned)}); ${rest}.`
        : benchVerdict(items) === "waiting"
          ? `${label} cannot be judged yet: ${rest}.`
          : `${label} is well: ${rest}.`;
  return [{ text }];
}
