/** How do the gateways stand, in a word at the top right? What stands in the way of recording comes first. */
import { signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import type { Standing } from "../../../src/contract/common.ts";
import type { CapturesView, ServiceStatus } from "../../../src/contract/service.ts";
import { duration, percent } from "../../../src/words/format.ts";
import { clockTime } from "../format/times.ts";
import { now, serviceNowMs } from "../state/clock.ts";
import { live } from "../state/live.ts";
import { linkTo } from "../state/route.ts";
import { tabState } from "../state/tab.ts";
import { StandingMark } from "./page.tsx";

export interface StateWord {
  readonly standing: Standing;
  readonly word: string;
  /** What changes every second, and is not read aloud. */
  readonly age: string;
}

/** As long as a gateway may be silent between two keepalives of the slowest usual interval, twice. Chosen. */
const SILENT_FROM_S = 60;

/** Returns the word for the service's state at `nowMs`; `progress` is of a capture that is being read, null without one. */
export function stateWord(
  status: ServiceStatus,
  reading: { readonly progress: number | null } | null,
  nowMs: number,
): StateWord {
  const { storage, passage, arrived } = status;
  if (storage.state !== "well")
    return { standing: storage.state === "failed" ? "bad" : "look", word: storageWord(status), age: "" };
  if (passage?.standing === "bad") return { standing: "bad", word: "server unreachable", age: "" };
  if (storage.space.state === "low") return { standing: "look", word: "disk nearly full", age: "" };
  if (reading !== null) {
    const share =
      reading.progress === null ? "" : `, ${percent(Math.floor(reading.progress * 100) / 100, 0)}`;
    return { standing: "waiting", word: "reading a capture", age: share };
  }
  if (arrived.lastAt === null) return { standing: "waiting", word: "nothing yet", age: "" };
  const silentS = Math.max(0, Math.round((nowMs - Date.parse(arrived.lastAt)) / 1000));
  if (silentS < SILENT_FROM_S)
    return { standing: "good", word: "receiving", age: `, ${duration(silentS)} ago` };
  return { standing: "look", word: "silent", age: ` for ${roughly(silentS)}` };
}

/** One unit is enough of a silence. */
function roughly(seconds: number): string {
  if (seconds < 3600) return duration(Math.floor(seconds / 60) * 60);
  if (seconds < 2 * 86_400) return duration(Math.floor(seconds / 3600) * 3600);
  return duration(Math.floor(seconds / 86_400) * 86_400);
}

/** In line, what matters first is that datagrams still pass. */
function storageWord({ storage, passage }: ServiceStatus): string {
  if (passage !== null) return storage.state === "failed" ? "relaying, not recording" : "recording slow";
  return storage.state === "failed" ? "storage failed" : "storage slow";
}

/** This one figure counts every second; all other ages keep the slower clock. */
const second = signal(0);

/** Links to the service's own page. The page's connection shows only when it is lost. */
export function GatewayWord({
  status,
  captures,
}: {
  status: ServiceStatus | null;
  captures: CapturesView | null;
}) {
  useEffect(() => {
    const timer = setInterval(() => {
      if (!document.hidden) second.value += 1;
    }, 1000);
    return () => clearInterval(timer);
  }, []);
  const { line, lostAtMs } = live();
  const reading = captures?.captures.find(({ state }) => state === "reading") ?? null;
  // Read so that both clocks draw it anew.
  const nowMs = Math.max(second.value === 0 ? now.value : 0, serviceNowMs());
  const { standing, word, age } =
    line.value === "lost"
      ? {
          standing: "bad" as const,
          word: "connection lost",
          age: lostAtMs.value === null ? "" : ` ${clockTime(lostAtMs.value)}`,
        }
      : status === null
        ? { standing: "waiting" as const, word: "connecting", age: "" }
        : stateWord(status, reading, nowMs);
  useEffect(() => {
    tabState.value = { standing, word };
  }, [standing, word]);
  return (
    <span class="top-connection">
      <a href={linkTo("/service")}>
        <StandingMark standing={standing} word={`${word}${age}`} />
      </a>
      <span class="unseen" role="status">
        {word}
      </span>
    </span>
  );
}
