/**
 * When must a fixed window be asked for anew? While a capture is being read, since it may fill any hour, once more
 * when it was read, and now and then while the window's end is still to come. Live windows renew themselves.
 */
import { signal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import type { CapturesView } from "../../../src/contract/captures.ts";
import { serviceNowMs } from "./clock.ts";
import type { WindowChoice } from "./window.ts";

/** Counts up whenever fixed windows should be asked for anew. */
export const renewal = signal(0);

const WHILE_READING_MS = 3000;
const WHILE_UNFINISHED_MS = 30_000;

/** Keeps `renewal` going for the captures and the window as they stand. */
export function useRenewal(captures: CapturesView | null, choice: WindowChoice): void {
  const reading = captures?.captures.some((capture) => capture.state === "reading") ?? false;
  const end = choice.kind === "fixed" ? choice.toMs : null;
  // A short capture may be read before the page hears that its reading began.
  const standing = captures?.captures.map(({ id, state }) => `${id} ${state}`).join(", ") ?? null;
  const stoodBefore = useRef(standing);
  useEffect(() => {
    if (!reading) return;
    const timer = setInterval(renew, WHILE_READING_MS);
    return () => {
      clearInterval(timer);
      renew();
    };
  }, [reading]);
  useEffect(() => {
    const isNews = stoodBefore.current !== null && stoodBefore.current !== standing;
    stoodBefore.current = standing;
    if (!isNews) return;
    renew();
    // What is worked out from a capture comes a little after it.
    const timer = setTimeout(renew, WHILE_READING_MS);
    return () => clearTimeout(timer);
  }, [standing]);
  useEffect(() => {
    if (end === null) return;
    const timer = setInterval(() => {
      if (serviceNowMs() < end + WHILE_UNFINISHED_MS) renew();
    }, WHILE_UNFINISHED_MS);
    return () => clearInterval(timer);
  }, [end]);
}

function renew(): void {
  renewal.value += 1;
}
