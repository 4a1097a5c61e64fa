/** How is the service itself? The intake's figures and the store's, in the contract's shape. */
import { API_VERSION } from "../contract/common.ts";
import type { Passage } from "../contract/gateways.ts";
import type { Refusal, ServiceStatus } from "../contract/service.ts";
import { SPARING_NOTICE } from "../diagnosis/notices.ts";
import {
  judgePassage,
  judgeUpstream,
  loopSentence,
  notRelayedWords,
  type UpstreamFacts,
} from "../diagnosis/relay-sentences.ts";
import type { IntakeFigures, IntakeHandle } from "../intake/handle.ts";
import type { RelayFigures } from "../intake/relay/start.ts";
import { relayTargetText } from "../intake/relay/targets.ts";
import { isoTime } from "../model/time-range.ts";
import { figure } from "../words/format.ts";
import type { DiskSpace } from "./disk-space.ts";
import type { StoredFacts } from "./views.ts";

// How does the passage stand? The relay's figures in the contract's shape; null when nothing is relayed.

function passageStatus({ relay, storage, dropped }: IntakeFigures, nowMs: number): Passage | null {
  if (relay === null) return null;
  const { upstreams, gateways, associations, up, down, strayDownlinks, copiesLost } = relay;
  const facts = upstreams.map((upstream) => factsOf(upstream, nowMs));
  return {
    ...judgePassage({ upstreams: facts, gateways, storage }),
    upstreams: upstreams.map((upstream, index) => ({
      host: upstream.host,
      port: upstream.port,
      address: upstream.address,
      role: index === 0 ? ("server" as const) : ("gets copies only" as const),
      state: upstream.state,
      ...judgeUpstream(factsOf(upstream, nowMs)),
      sent: upstream.sent,
      unsent: upstream.unsent,
      received: upstream.received,
      refusals: upstream.refusals,
      lastAnswerAt: upstream.lastAnswerAtUs === null ? null : isoTime(upstream.lastAnswerAtUs),
    })),
    gateways,
    associations,
    up,
    down,
    notRelayed: Object.entries(relay.notRelayed)
      .filter(([, count]) => count > 0)
      .map(([reason, count]) => ({ reason, words: notRelayedWords(reason), count })),
    strayDownlinks,
    notRecorded: copiesLost + dropped,
  };
}

function factsOf(upstream: RelayFigures["upstreams"][number], nowMs: number): UpstreamFacts {
  const { state, trouble, lastAnswerAtUs } = upstream;
  const silentForSeconds = lastAnswerAtUs === null ? null : Math.max(0, nowMs - lastAnswerAtUs / 1000) / 1000;
  return { name: relayTargetText(upstream), state, trouble, silentForSeconds };
}

export interface StatusSources {
  readonly version: string;
  readonly startedAtMs: number;
  readonly nowMs: number;
  readonly intake: Pick<IntakeHandle, "figures" | "udp" | "isSparing">;
  readonly stored: StoredFacts;
  readonly recentFromUs: number | null;
  readonly refusals: readonly Refusal[];
  readonly notices: readonly string[];
  readonly addresses: readonly string[];
  readonly space: DiskSpace;
  readonly watch: ServiceStatus["watch"];
  readonly publish: ServiceStatus["publish"];
}

export function serviceStatus(sources: StatusSources): ServiceStatus {
  const { version, startedAtMs, nowMs, intake, stored, refusals, notices, addresses, space } = sources;
  const figures = intake.figures();
  const time = (atUs: number | null) => (atUs === null ? null : isoTime(atUs));
  return {
    version,
    apiVersion: API_VERSION,
    siteName: stored.siteName,
    ...(stored.sites.length === 0 ? {} : { sites: [...stored.sites] }),
    startedAt: isoTime(startedAtMs * 1000),
    now: isoTime(nowMs * 1000),
    udp: intake.udp.map(({ address, port }) => ({ address, port })),
    addresses: [...addresses],
    arrived: { datagrams: figures.datagrams, lastAt: time(figures.lastAtUs), lastFrom: figures.lastFrom },
    acknowledged: {
      afterCommit: figures.answeredAfterCommit,
      beforeStored: figures.answeredBeforeStored,
      waiting: figures.waiting,
      dropped: figures.dropped,
    },
    lost: lostOf(figures),
    storage: {
      state: figures.storage,
      words: figures.storageWords,
      space: { ...space },
      check: { ...figures.check },
      bytes: stored.bytes,
      receptions: stored.receptions,
      from: time(stored.fromUs),
      to: time(stored.toUs),
      recentFrom: time(sources.recentFromUs),
    },
    refusals: [...refusals],
    notices: [...sparingNotices(intake), ...fileNotices(figures), ...loopNotices(figures, nowMs), ...notices],
    watch: sources.watch,
    publish: sources.publish,
    passage: passageStatus(figures, nowMs),
  };
}

function lostOf({
  kernelDrops,
  dropped,
  droppedBySource,
  receiveBuffer,
}: IntakeFigures): ServiceStatus["lost"] {
  return {
    inKernel: kernelDrops,
    dropped,
    bySource: droppedBySource.map(({ address, port, count, lastAtUs }) => ({
      source: address === null ? "other sources" : `${address} ${port}`,
      count,
      lastAt: isoTime(lastAtUs),
    })),
    receiveBuffer,
    words: lostWords(kernelDrops ?? 0, dropped, receiveBuffer),
  };
}

/** Sentences on what was lost since the start, and on a receive buffer that is smaller than asked. */
function lostWords(inKernel: number, dropped: number, buffer: IntakeFigures["receiveBuffer"]): string {
  const sentences: string[] = [];
  if (inKernel > 0)
    sentences.push(
      `${datagrams(inKernel)} lost before Mastlog could read ${inKernel === 1 ? "it" : "them"}: the system's receive buffer was full.`,
    );
  if (dropped > 0) sentences.push(`${datagrams(dropped)} dropped because more arrived than could be stored.`);
  if (buffer !== null && buffer.grantedBytes < buffer.askedBytes)
    sentences.push(
      `The system grants a receive buffer of ${kibibytes(buffer.grantedBytes)} of ${kibibytes(buffer.askedBytes)}: a burst may be lost. On Linux "sysctl net.core.rmem_max=${buffer.askedBytes}" allows more.`,
    );
  return sentences.join(" ");
}

function datagrams(count: number): string {
  return count === 1 ? "1 datagram was" : `${figure(count)} datagrams were`;
}

function kibibytes(bytes: number): string {
  return `${figure(Math.round(bytes / 1024))} KiB`;
}

function sparingNotices({ isSparing }: Pick<IntakeHandle, "isSparing">): string[] {
  return isSparing ? [SPARING_NOTICE] : [];
}

function fileNotices({ datagramFile }: IntakeFigures): string[] {
  return datagramFile === null || datagramFile.words === "" ? [] : [datagramFile.words];
}

/** A loop that was mended is reported for an hour. */
const LOOP_TOLD_MS = 3_600_000;

function loopNotices({ relay }: IntakeFigures, nowMs: number): string[] {
  const loop = relay?.loop ?? null;
  if (loop === null || nowMs - loop.atUs / 1000 > LOOP_TOLD_MS) return [];
  const { count, from, atUs } = loop;
  return [loopSentence({ count, from: `${from.address} port ${from.port}`, at: isoTime(atUs) })];
}
