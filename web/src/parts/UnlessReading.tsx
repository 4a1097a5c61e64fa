/** What stands in place of a view while a capture is being read that may fill its window, and above it while a watch holds. No figure that is half of one. */
import "./UnlessReading.css";
import type { ComponentChildren } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import type { CaptureRow, CapturesView, ServiceStatus } from "../../../src/contract/service.ts";
import { figure, percent } from "../../../src/words/format.ts";
import { currentWindow, linkTo } from "../state/route.ts";
import type { WindowChoice } from "../state/window.ts";
import { Age } from "./page.tsx";

/** A live window is filled by gateways. A capture's first moment is known soon; until then it may be any. */
function fills(capture: CaptureRow, choice: WindowChoice): boolean {
  if (capture.state !== "reading" || choice.kind === "live") return false;
  return capture.from === null || Date.parse(capture.from) < choice.toMs;
}

/** The view, or how far the capture is read. A person may ask to see what there is so far. */
export function UnlessReading({
  captures,
  children,
}: {
  captures: CapturesView | null;
  children: ComponentChildren;
}) {
  const [seen, setSeen] = useState<number | null>(null);
  const reading = captures?.captures.find((capture) => fills(capture, currentWindow.value));
  if (reading === undefined) return <>{children}</>;
  if (seen === reading.id)
    return (
      <>
        <p class="notice">
          ○ {reading.name} is still being read, {share(reading)}: these figures are not final.
        </p>
        {children}
      </>
    );
  return (
    <section class="reading">
      <h1 class="sentence">
        Reading {reading.name}: {share(reading)}.
      </h1>
      <progress
        {...(reading.progress === null ? {} : { value: reading.progress })}
        max={1}
        aria-label={`Reading ${reading.name}`}
      />
      <p class="quiet">
        {figure(reading.datagrams)} datagrams so far. The view opens when the capture is read and its gaps are
        judged.
      </p>
      <button type="button" class="plain" onClick={() => setSeen(reading.id)}>
        show what is read so far
      </button>
    </section>
  );
}

function share({ progress }: CaptureRow): string {
  return progress === null ? "just begun" : percent(Math.floor(progress * 100) / 100, 0);
}

// The newest message of the watches, on every page until a person has read it; while the page is hidden, by the browser.

/** What this browser's person has read; kept where the browser lets it. */
const READ_KEY = "mastlog-watch-read";

function readBefore(): string | null {
  try {
    return localStorage.getItem(READ_KEY);
  } catch {
    return null;
  }
}

export function WatchNotice({ status }: { status: ServiceStatus | null }) {
  const newest = status?.watch?.newest ?? null;
  const [read, setRead] = useState(readBefore);
  const shown = useRef<string | null>(null);
  const id = newest?.id ?? null;
  useEffect(() => {
    if (newest === null || id === null || id === shown.current) return;
    const isNews = shown.current !== null || id !== read;
    shown.current = id;
    if (
      isNews &&
      document.hidden &&
      typeof Notification !== "undefined" &&
      Notification.permission === "granted"
    )
      new Notification(newest.subject, { tag: id });
  }, [id]);
  if (newest === null || id === read) return null;
  const done = () => {
    setRead(newest.id);
    try {
      localStorage.setItem(READ_KEY, newest.id);
    } catch {
      // It is shown again when the page is opened again.
    }
  };
  return (
    <p class="notice screen-only" role="status">
      <a href={linkTo("/service")}>{newest.subject}</a>, <Age at={newest.at} />
      <button type="button" class="plain" onClick={done}>
        Read
      </button>
    </p>
  );
}
