/** How is the service itself? The intake's figures and the store's, in the contract's shape. */

import { Counter, Gauge, Registry } from "prom-client";
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
import type { Facts, StoredFacts } from "./views.ts";

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
      role: index === 0 ? ("server" as const) : ("hears only" as const),
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

// Which figures does Prometheus read? Those of the intake and the store, at the moment it asks; none is kept here.

export interface MetricSources {
  readonly intake: Pick<IntakeHandle, "figures">;
  readonly facts: Pick<Facts, "stored" | "refusals">;
  readonly liveClients: () => number;
  readonly diskSpace: () => DiskSpace;
  /** null: nothing is published. */
  readonly publish: () => NonNullable<ServiceStatus["publish"]> | null;
}

/** A registry of its own: two services in one process (tests) keep apart. */
export function serviceMetrics({ intake, facts, liveClients, diskSpace, publish }: MetricSources): Registry {
  const registry = new Registry();
  const registers = [registry];
  const counter = (name: string, help: string, read: () => number) =>
    new Counter({
      name,
      help,
      registers,
      collect() {
        this.reset();
        this.inc(read());
      },
    });
  const gauge = (name: string, help: string, read: () => number) =>
    new Gauge({
      name,
      help,
      registers,
      collect() {
        this.set(read());
      },
    });

  counter(
    "mastlog_datagrams_total",
    "Datagrams that arrived since the start",
    () => intake.figures().datagrams,
  );
  counter(
    "mastlog_answered_after_commit_total",
    "Datagrams acknowledged after they were stored",
    () => intake.figures().answeredAfterCommit,
  );
  counter(
    "mastlog_answered_before_stored_total",
    "Datagrams acknowledged before they were stored, because storing took longer than 25 ms or failed",
    () => intake.figures().answeredBeforeStored,
  );
  counter(
    "mastlog_dropped_total",
    "Datagrams lost because the bounded buffer was full",
    () => intake.figures().dropped,
  );
  counter(
    "mastlog_kernel_drops_total",
    "Datagrams lost in the kernel before they could be read (0 where the system does not tell)",
    () => intake.figures().kernelDrops ?? 0,
  );
  counter(
    "mastlog_recorded_to_file_total",
    "Datagrams appended to the file of --record since the start (0 without it)",
    () => intake.figures().datagramFile?.written ?? 0,
  );
  counter(
    "mastlog_lost_to_file_total",
    "Datagrams that could not be appended to the file of --record since the start",
    () => intake.figures().datagramFile?.lost ?? 0,
  );
  gauge("mastlog_waiting", "Datagrams that wait to be stored", () => intake.figures().waiting);
  gauge("mastlog_storage_well", "1 while what arrives can be stored at once", () =>
    Number(intake.figures().storage === "well"),
  );
  gauge("mastlog_receptions", "Receptions in the store", () => facts.stored().receptions);
  gauge("mastlog_store_bytes", "Size of the store", () => facts.stored().bytes);
  gauge(
    "mastlog_store_free_bytes",
    "Room left on the disk of the store; NaN where it is not known",
    () => diskSpace().freeBytes ?? Number.NaN,
  );
  counter(
    "mastlog_mqtt_published_total",
    "Messages that the MQTT broker took since the start (0 without --publish)",
    () => publish()?.published ?? 0,
  );
  counter(
    "mastlog_mqtt_dropped_total",
    "Messages that gave way while the MQTT broker was away, or that it refused, since the start",
    () => publish()?.dropped ?? 0,
  );
  gauge("mastlog_mqtt_waiting", "Messages that wait for the MQTT broker", () => publish()?.waiting ?? 0);
  gauge("mastlog_mqtt_connected", "1 while the MQTT broker of --publish answers", () =>
    Number(publish()?.state === "connected"),
  );
  gauge("mastlog_live_clients", "Open websockets", liveClients);
  new Counter({
    name: "mastlog_refusals_total",
    help: "What was refused (used=no) or unusual but used (used=yes), since the store began",
    labelNames: ["reason", "used"],
    registers,
    collect() {
      this.reset();
      for (const { reason, refused, count } of facts.refusals().refusals)
        this.inc({ reason, used: refused ? "no" : "yes" }, count);
    },
  });
  return registry;
}
