/** How did a node fare over the window, in a row of a list? Heard above the line, missed as open notches below. */
import type { Strip } from "../../../src/contract/nodes.ts";
import { counted } from "../format/format.ts";
import "./SmallStrip.css";

const ABOVE = 14;
const BELOW = 8;

/** The counter strip in small: up to 60 bins. */
export function SmallStrip({ strip }: { strip: Strip }) {
  const bins = Math.max(1, strip.heard.length);
  const most = Math.max(1, ...strip.heard.map((heard, at) => heard + missedIn(strip, at)));
  let heardPath = "";
  let missedPath = "";
  let outagePath = "";
  let unknownPath = "";
  strip.heard.forEach((heard, at) => {
    const missed = strip.missed[at] ?? 0;
    const outage = strip.missedDuringOutage[at] ?? 0;
    const x = at * 2 + 0.5;
    if (heard > 0) heardPath += `M${x} ${ABOVE}v${-Math.max(3, (heard / most) * ABOVE).toFixed(1)}`;
    const notch = Math.max(3, (missedIn(strip, at) / most) * BELOW).toFixed(1);
    if ((strip.missedNotRecorded[at] ?? 0) > 0) unknownPath += `M${x} ${ABOVE + 3}v1.5m0 2v1.5`;
    if (missed > outage) missedPath += `M${x} ${ABOVE + 2}v${notch}`;
    else if (outage > 0) outagePath += `M${x} ${ABOVE + 2}v${notch}`;
  });
  const total = (values: readonly number[]) => values.reduce((sum, value) => sum + value, 0);
  const unknown = total(strip.missedNotRecorded);
  const words = `${counted(total(strip.heard), "counter")} heard, ${total(strip.missed)} missed${unknown === 0 ? "" : `, ${unknown} not recorded`}`;
  return (
    <svg
      class="small-strip"
      viewBox={`0 0 ${bins * 2} ${ABOVE + BELOW + 2}`}
      preserveAspectRatio="none"
      role="img"
      aria-label={words}
    >
      <path class="small-strip-line" d={`M0 ${ABOVE + 1}h${bins * 2}`} />
      <path class="small-strip-heard" d={heardPath} />
      <path class="small-strip-missed" d={missedPath} />
      <path class="small-strip-outage" d={outagePath} />
      <path class="small-strip-outage" d={unknownPath} />
    </svg>
  );
}

function missedIn(strip: Strip, at: number): number {
  return strip.missed[at] ?? 0;
}
