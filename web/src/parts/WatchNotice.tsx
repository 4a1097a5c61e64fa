/** The newest message of the watches, on every page until a person has read it; while the page is hidden, by the browser. */
import { useEffect, useRef, useState } from "preact/hooks";
import type { ServiceStatus } from "../../../src/contract/service.ts";
import { linkTo } from "../state/route.ts";
import { Age } from "./page.tsx";

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
