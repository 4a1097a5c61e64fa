/** One gateway on the bench: its checks, its verdict, and what it sent last. */

import type {
  BenchDatagram,
  BenchReference,
  BenchRow,
  BenchTable,
  BenchView,
  NamedPlan,
} from "../contract/index.ts";
import { awaitedOf, benchSentence, benchVerdict, judgeBench } from "../diagnosis/bench/judge.ts";
import { refusalWords } from "../diagnosis/notices.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { channelsText, planChoices } from "../radio/regions/plan-choice.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import {
  type FeedPacket,
  type FeedRecord,
  newestDatagrams,
  outcomeAt,
  packetsAt,
  reportAt,
} from "../store/queries/receptions.ts";
import { benchRecords } from "../store/settings.ts";
import { dbm, decibel, megahertz } from "../words/format.ts";
import { type BenchGiven, benchEvidence } from "./bench-evidence.ts";
import { identifierNotices } from "./bookkeeping.ts";
import { itemsAgainst, type Reference, referenceRow, referenceSet, SharedFrames } from "./trials/trials.ts";
import { type AskedWindow, knownEndUs, knownUntilUs, windowView } from "./window.ts";

// What did a gateway send last, in plain words?

const MAX_DATAGRAMS = 24;
/** Packets of one datagram that are shown one by one. */
const MAX_TOLD = 3;
const COPY = 16;
const PULL = 2;
const TX_ACK = 5;

/** Newest first. */
function benchFeed(store: Store, gatewayId: number, window: TimeRange): BenchDatagram[] {
  return newestDatagrams(store, gatewayId, window, MAX_DATAGRAMS).map((record) => ({
    id: `${record.atUs}-${record.digest}`,
    at: isoTime(record.atUs),
    words: wordsOf(store, gatewayId, record),
  }));
}

function wordsOf(store: Store, gatewayId: number, { atUs, kind }: FeedRecord): string {
  if (kind >= COPY) return refusalWords("duplicate");
  if (kind === PULL) return "keepalive";
  if (kind === TX_ACK) return outcomeWords(outcomeAt(store, gatewayId, atUs));
  const packets = packetsAt(store, gatewayId, atUs);
  const report = reportAt(store, gatewayId, atUs);
  const parts: string[] = [];
  if (packets.length > 0) parts.push(packetWords(packets));
  if (report !== null) {
    const { rxReceived, rxForwarded, ackTenths } = report;
    const counts = rxReceived === null ? "" : `: ${rxReceived} received, ${rxForwarded ?? 0} forwarded`;
    const answered = ackTenths === null ? "" : `, ${ackTenths / 10}\u202F% answered in time`;
    parts.push(`status report${counts}${answered}`);
  }
  return parts.length === 0 ? "packets that were known, or were held up on the way" : parts.join("; ");
}

function packetWords(packets: readonly FeedPacket[]): string {
  const shown = packets
    .slice(0, MAX_TOLD)
    .map(({ frequencyHz, dataRate, crc, ghost, rssiTenths, snrTenths }) => {
      const where = frequencyHz === null ? "unknown channel" : megahertz(frequencyHz);
      const level = rssiTenths === null ? "" : ` ${dbm(rssiTenths / 10)}`;
      const snr = snrTenths === null ? "" : ` ${decibel(snrTenths / 10)}`;
      const fault = ghost === 1 ? " (weak copy)" : crc === 1 ? " (wrong CRC)" : "";
      return `${where} ${dataRateWords(dataRate)}${level}${snr}${fault}`;
    });
  const more = packets.length > MAX_TOLD ? ` and ${packets.length - MAX_TOLD} more` : "";
  return `${packets.length} ${packets.length === 1 ? "reception" : "receptions"}: ${shown.join(", ")}${more}`;
}

function dataRateWords(dataRate: number): string {
  const modulation = modulationFromCodes(dataRate, 0);
  // At 125 kHz, as nearly all of them are, the spreading factor says it all.
  if (modulation.kind === "lora" && modulation.bandwidthHz === 125_000)
    return `SF${modulation.spreadingFactor}`;
  return describeModulation(modulation);
}

function outcomeWords(outcome: { result: string; word: string | null } | null): string {
  if (outcome === null || outcome.result === "unreadable") return "answer to a downlink, unreadable";
  if (outcome.result === "accepted") return "downlink taken for sending";
  if (outcome.result === "accepted-lower-power") return "downlink taken for sending, at a lower power";
  return `downlink refused: ${outcome.word ?? "no reason given"}`;
}

export interface BenchOptions extends BenchGiven {
  /** What to measure against; null: nothing. Left out: the reference that was set for the bench, if any. */
  readonly reference?: Reference | null;
  /** What was read for the trials of the same window. */
  readonly shared?: SharedFrames;
}

/** Gateways offered as a reference, those heard last. */
const MAX_OTHERS = 100;

/** null: no gateway of that identifier was ever heard. */
export function benchView(
  store: Store,
  window: AskedWindow,
  eui: string,
  options: BenchOptions = {},
): BenchView | null {
  const gateways = allGateways(store, knownUntilUs(window));
  const gateway = gateways.find((one) => one.eui === eui);
  if (gateway === undefined) return null;
  const endUs = knownEndUs(store, window);
  const names = labels(store, "gateway");
  const nameOf = (one: string) => names.get(one)?.name ?? null;
  const reference = options.reference === undefined ? referenceSet(store) : options.reference;
  const items = [
    ...judgeBench(benchEvidence(store, gateway, window, endUs, options)),
    ...(reference === null
      ? []
      : itemsAgainst(store, window, eui, reference, nameOf(reference.eui), options.shared)),
  ];
  const name = nameOf(eui);
  return {
    window: windowView(window),
    eui,
    name,
    ...recordOf(store, eui),
    source: gateway.pullSource ?? gateway.pushSource,
    firstHeard: isoTime(gateway.firstAtUs),
    lastHeard: isoTime(gateway.lastAtUs),
    verdict: benchVerdict(items),
    sentence: benchSentence(name ?? `Gateway ${eui}`, items),
    awaited: awaitedOf(items),
    expected: options.expected?.label ?? null,
    plans: namedPlans(options.ownPlans),
    items,
    notices: identifierNotices(store, { fromUs: window.fromUs, toUs: window.toUs + 1 }, eui),
    reference: reference === null ? null : { ...referenceRow(reference), name: nameOf(reference.eui) },
    others: newestFirst(gateways)
      .filter((other) => other.eui !== eui)
      .slice(0, MAX_OTHERS)
      .map((other) => ({ eui: other.eui, name: nameOf(other.eui) })),
    feed: benchFeed(store, gateway.id, window),
  };
}

/** What a person noted of a gateway: its serial number, and when it was signed off. */
function recordOf(store: Store, eui: string): Pick<BenchView, "serial" | "signedOff"> {
  const { serial = null, signedOffUs = null } = benchRecords(store).get(eui) ?? {};
  return { serial, signedOff: signedOffUs === null ? null : isoTime(signedOffUs) };
}

/** Every channel plan that a gateway can be asked to listen to, the user's own first. */
function namedPlans(ownPlans: readonly RegionPlan[] = []): NamedPlan[] {
  return planChoices(ownPlans).map(({ label, plan, channels }) => ({
    label,
    region: ownPlans.includes(plan) ? null : plan.plan,
    channels: channelsText(channels),
  }));
}

/**
 * Every gateway that was heard, with its verdict and first fault: those that fail first. One that was signed off and sent
 * nothing in the window has left the bench. `most`: so many are judged, those heard last.
 */
export function benchTable(
  store: Store,
  window: AskedWindow,
  options: BenchOptions & { readonly most?: number } = {},
): BenchTable {
  const records = benchRecords(store);
  const known = newestFirst(allGateways(store));
  const isGone = (gateway: GatewayRecord) =>
    (records.get(gateway.eui)?.signedOffUs ?? null) !== null &&
    newestDatagrams(store, gateway.id, window, 1).length === 0;
  const present = known.filter((gateway) => !isGone(gateway));
  const judged = present.slice(0, options.most ?? present.length);
  const reference = options.reference === undefined ? referenceSet(store) : options.reference;
  const shared = reference === null ? {} : { shared: new SharedFrames(store, window) };
  const rows = judged.flatMap(({ eui }) => {
    const view = benchView(store, window, eui, { ...options, reference, ...shared });
    return view === null ? [] : [benchRow(view)];
  });
  const order = ["fail", "warn", "waiting", "pass"];
  return {
    window: windowView(window),
    gateways: rows.sort((a, b) => order.indexOf(a.verdict) - order.indexOf(b.verdict)),
    gone: known.length - present.length,
    leftOut: present.length - judged.length,
  };
}

/** One gateway as the table of all has it. */
export function benchRow({ eui, name, serial, signedOff, lastHeard, verdict, items }: BenchView): BenchRow {
  const of = (state: BenchRow["verdict"]) => items.filter((item) => item.state === state);
  const fault = of("fail")[0] ?? of("warn")[0] ?? null;
  return {
    eui,
    name,
    serial,
    signedOff,
    lastHeard,
    verdict,
    failed: of("fail").length,
    warned: of("warn").length,
    passed: of("pass").length,
    waiting: of("waiting").length,
    fault:
      fault === null
        ? null
        : {
            id: fault.id,
            title: fault.title,
            state: fault.state,
            reason: fault.reason,
            advice: fault.advice,
          },
  };
}

/** The reference that was set for the bench, with its name. */
export function benchReferenceView(store: Store): BenchReference | null {
  const reference = referenceSet(store);
  if (reference === null) return null;
  const name = labels(store, "gateway").get(reference.eui)?.name ?? null;
  return { ...referenceRow(reference), name };
}

/** Identifiers of all gateways heard, newest first. */
export function knownGateways(store: Store): string[] {
  return newestFirst(allGateways(store)).map(({ eui }) => eui);
}

function newestFirst(gateways: readonly GatewayRecord[]): GatewayRecord[] {
  return [...gateways].sort((a, b) => b.lastAtUs - a.lastAtUs);
}
