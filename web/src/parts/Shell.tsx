/** What stands around every view? The rail of words, the top line, the zone at the foot. */
import type { ComponentChildren } from "preact";
import type { ServiceStatus } from "../../../src/contract/status.ts";
import { clockTime, zoneWords } from "../format/times.ts";
import { now } from "../state/clock.ts";
import { live } from "../state/live.ts";
import { linkTo } from "../state/route.ts";
import { Rail, type RailWord } from "./Rail.tsx";
import { StandingMark } from "./StandingMark.tsx";
import { WindowBar } from "./WindowBar.tsx";
import "./Shell.css";

const WORDS: readonly RailWord[] = [
  { word: "Site", path: "/site", views: ["site"] },
  { word: "Bench", path: "/bench", views: ["bench"] },
  { word: "Nodes", path: "/nodes", views: ["nodes", "node", "plan"] },
  { word: "Air", path: "/air", views: ["air"] },
  { word: "Gaps", path: "/gaps", views: ["gaps"] },
  { word: "Trials", path: "/trials", views: ["trials", "walk"] },
  { word: "Captures", path: "/captures", views: ["captures"] },
];

/** The frame of the page. `status` may be missing at first. */
export function Shell({ status, children }: { status: ServiceStatus | null; children: ComponentChildren }) {
  const { from, to } = status?.storage ?? { from: null, to: null };
  const stored = from === null || to === null ? null : { fromMs: Date.parse(from), toMs: Date.parse(to) };
  return (
    <div class="shell">
      <button type="button" class="skip link" onClick={() => document.getElementById("main")?.focus()}>
        Skip to the view
      </button>
      <Rail words={WORDS} />
      <header class="top">
        <span class="top-site">{status?.siteName ?? "Mastlog"}</span>
        <WindowBar stored={stored} />
        <Connection status={status} />
      </header>
      <main id="main" tabIndex={-1}>
        {children}
      </main>
      <footer class="foot small quiet">
        Times are local: {zoneWords(now.value)}.{status === null ? "" : ` Mastlog ${status.version}.`}
      </footer>
    </div>
  );
}

function Connection({ status }: { status: ServiceStatus | null }) {
  const { line, lostAtMs } = live();
  return (
    <span class="top-connection" role="status">
      <a href={linkTo("/service")}>
        {line.value === "connecting" ? (
          <StandingMark standing="waiting" word="connecting" />
        ) : line.value === "lost" ? (
          <StandingMark
            standing="bad"
            word={`lost ${lostAtMs.value === null ? "" : clockTime(lostAtMs.value)}`}
          />
        ) : status !== null && status.storage.state !== "well" ? (
          <StandingMark
            standing={status.storage.state === "failed" ? "bad" : "look"}
            word={storageWord(status)}
          />
        ) : status?.passage?.standing === "bad" ? (
          <StandingMark standing="bad" word="server out of reach" />
        ) : status?.storage.space.state === "low" ? (
          <StandingMark standing="look" word="disk nearly full" />
        ) : (
          <StandingMark standing="good" word="connected" />
        )}
      </a>
    </span>
  );
}

/** In line, what matters first is that datagrams still pass. */
function storageWord({ storage, passage }: ServiceStatus): string {
  if (passage !== null) return storage.state === "failed" ? "passing, not recording" : "recording slow";
  return storage.state === "failed" ? "storage failed" : "storage slow";
}
