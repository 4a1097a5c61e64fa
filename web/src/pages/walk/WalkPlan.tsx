/** Where are the stops, and how is each? Marks by shape and word over metres, north up. */
import type { WalkVerdict, WalkView } from "../../../../src/contract/walk.ts";
import { withUnit } from "../../format/format.ts";

const WIDE = 640;
const MARGIN = 56;

interface Dot {
  readonly key: string;
  readonly title: string;
  readonly eastM: number;
  readonly northM: number;
  readonly verdict: WalkVerdict | "gateway";
}

/** A round length of about a quarter of the plan. */
function scaleLength(metres: number): number {
  const power = 10 ** Math.floor(Math.log10(Math.max(1, metres / 4)));
  return ([5, 2, 1].find((step) => step * power <= metres / 4) ?? 1) * power;
}

/** The plan; null where nothing has a place. */
export function WalkPlan({ walk, label }: { walk: WalkView; label: string }) {
  const dots: Dot[] = [
    ...walk.gateways.flatMap(({ eui, name, place }): Dot[] =>
      place === null ? [] : [{ key: eui, title: name ?? eui, ...place, verdict: "gateway" }],
    ),
    ...walk.stops.flatMap((stop): Dot[] =>
      stop.place === null
        ? []
        : [{ key: String(stop.markId), title: stop.name, ...stop.place, verdict: stop.best }],
    ),
  ];
  if (walk.stops.every(({ place }) => place === null)) return null;
  const easts = dots.map(({ eastM }) => eastM);
  const norths = dots.map(({ northM }) => northM);
  const [west, south] = [Math.min(...easts), Math.min(...norths)];
  const span = Math.max(20, Math.max(...easts) - west, (Math.max(...norths) - south) * 1.2);
  const perM = (WIDE - 2 * MARGIN) / span;
  const tall = (Math.max(...norths) - south) * perM + 2 * MARGIN;
  const bar = scaleLength(span);
  return (
    <svg class="walk-plan" viewBox={`0 0 ${WIDE} ${tall + 28}`} role="img" aria-label={label}>
      {dots.map(({ key, title, eastM, northM, verdict }) => {
        const x = MARGIN + (eastM - west) * perM;
        const y = tall - MARGIN - (northM - south) * perM;
        return (
          <g key={key} transform={`translate(${x.toFixed(1)} ${y.toFixed(1)})`}>
            <Shape verdict={verdict} />
            <text x={x < WIDE / 4 ? -8 : x > (WIDE * 3) / 4 ? 8 : 0} y={28} text-anchor={anchorAt(x)}>
              {title}
              {verdict === "gateway" ? null : (
                <tspan class="walk-plan-word">, {verdict === "waiting" ? "too early" : verdict}</tspan>
              )}
            </text>
          </g>
        );
      })}
      <path class="walk-plan-bar" d={`M${MARGIN} ${tall + 6}v6h${bar * perM}v-6`} />
      <text x={MARGIN + bar * perM + 8} y={tall + 14}>
        {withUnit(bar, 0, "m")}, north up
      </text>
    </svg>
  );
}

/** Names near an edge lean inwards, so that they are not cut. */
function anchorAt(x: number): "start" | "middle" | "end" {
  return x < WIDE / 4 ? "start" : x > (WIDE * 3) / 4 ? "end" : "middle";
}

/** Told apart by shape: tick, triangle, cross, ring; a gateway is a filled triangle. */
function Shape({ verdict }: { verdict: Dot["verdict"] }) {
  switch (verdict) {
    case "good":
      return <path class="walk-good" d="M-7 0l5 6l9 -12" />;
    case "marginal":
      return <path class="walk-marginal" d="M0 -8l8 14h-16z" />;
    case "dead":
      return <path class="walk-dead" d="M-7 -7l14 14M-7 7l14 -14" />;
    case "waiting":
      return <circle class="walk-waiting" r={7} />;
    case "gateway":
      return <path class="walk-gateway" d="M0 -11l9 18h-18z" />;
  }
}
