/** What stands while a capture is being read that may fill the window? How far it is; no figure that is half of one. */
import type { ComponentChildren } from "preact";
import { useState } from "preact/hooks";
import type { CaptureRow, CapturesView } from "../../../src/contract/service.ts";
import { figure, percent } from "../../../src/words/format.ts";
import { currentWindow } from "../state/route.ts";
import type { WindowChoice } from "../state/window.ts";
import "./UnlessReading.css";

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
