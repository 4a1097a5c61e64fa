/** How is the service itself? The intake's figures and the store's, in the contract's shape. */
import type { Refusal, ServiceStatus } from "../contract/status.ts";
import { loopSentence } from "../diagnosis/passage-words.ts";
import type { IntakeFigures, IntakeHandle } from "../intake/handle.ts";
import { isoTime } from "../model/window.ts";
import type { DiskSpace } from "./disk-space.ts";
import { passageStatus } from "./passage-status.ts";
import type { StoredFacts } from "./views.ts";

export interface StatusSources {
  readonly version: string;
  readonly startedAtMs: number;
  readonly nowMs: number;
  readonly intake: Pick<IntakeHandle, "figures" | "udp">;
  readonly stored: StoredFacts;
  readonly refusals: readonly Refusal[];
  readonly notices: readonly string[];
  readonly addresses: readonly string[];
  readonly space: DiskSpace;
}

export function serviceStatus(sources: StatusSources): ServiceStatus {
  const { version, startedAtMs, nowMs, intake, stored, refusals, notices, addresses, space } = sources;
  const figures = intake.figures();
  const time = (atUs: number | null) => (atUs === null ? null : isoTime(atUs));
  return {
    version,
    siteName: stored.siteName,
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
    },
    refusals: [...refusals],
    notices: [...loopNotices(figures, nowMs), ...notices],
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
  return count === 1 ? "1 datagram was" : `${count.toLocaleString("en-GB")} datagrams were`;
}

function kibibytes(bytes: number): string {
  return `${Math.round(bytes / 1024).toLocaleString("en-GB")} KiB`;
}

/** A loop that was mended is told for an hour. */
const LOOP_TOLD_MS = 3_600_000;

function loopNotices({ relay }: IntakeFigures, nowMs: number): string[] {
  const loop = relay?.loop ?? null;
  if (loop === null || nowMs - loop.atUs / 1000 > LOOP_TOLD_MS) return [];
  const { count, from, atUs } = loop;
  return [loopSentence({ count, from: `${from.address} port ${from.port}`, at: isoTime(atUs) })];
}
