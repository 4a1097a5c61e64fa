/** How is the service itself? The intake's figures and the store's, in the contract's shape. */
import type { Refusal, ServiceStatus } from "../contract/status.ts";
import type { IntakeHandle } from "../intake/handle.ts";
import { isoTime } from "../model/window.ts";
import { passageStatus } from "./passage-status.ts";
import type { StoredFacts } from "./views.ts";

export interface StatusSources {
  readonly version: string;
  readonly startedAtMs: number;
  readonly nowMs: number;
  readonly intake: Pick<IntakeHandle, "figures" | "udp">;
  readonly stored: StoredFacts;
  readonly refusals: readonly Refusal[];
  readonly addresses: readonly string[];
}

export function serviceStatus(sources: StatusSources): ServiceStatus {
  const { version, startedAtMs, nowMs, intake, stored, refusals, addresses } = sources;
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
    storage: {
      state: figures.storage,
      words: figures.storageWords,
      bytes: stored.bytes,
      receptions: stored.receptions,
      from: time(stored.fromUs),
      to: time(stored.toUs),
    },
    refusals: [...refusals],
    passage: passageStatus(figures, nowMs),
  };
}
