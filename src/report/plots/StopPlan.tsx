/** Where did a walk test stop, and how did each stop come out? Shapes and words over metres, north up. */
import type { WalkVerdict, WalkView } from "../../contract/walk.ts";

const WIDE = 640;
const MARGIN = 60;
/** Metres: a smaller plan would blow up what a position cannot tell. */
const LEAST_SPAN_M = 20;
const MOST_TALL = 460;

interface Dot {
  readonly title: string;
  readonly eastM: number;
  readonly northM: number;
  readonly verdict: WalkVerdict | "gateway";
}

/** Null where no stop has a position. */
export function StopPlan({ walk, caption }: { readonly walk: WalkView; readonly caption: string }) {
  if (walk.stops.every(({ place }) => place === null)) return null;
  const dots: Dot[] = [
    ...walk.gateways.flatMap(({ eui, name, place }): Dot[] =>
      place === null ? [] : [{ title: name ?? eui, ...place, verdict: "gateway" }],
    ),
    ...walk.stops.flatMap(({ name, place, best }): Dot[] =>
      place === null ? [] : [{ title: name, ...place, verdict: best }],
    ),
  ];
  const easts = dots.map(({ eastM }) => eastM);
  const norths = dots.map(({ northM }) => northM);
  const [west, south] = [Math.min(...easts), Math.min(...norths)];
  const spanEast = Math.max(LEAST_SPAN_M, Math.max(...easts) - west);
  const spanNorth = Math.max(...norths) - south;
  const perM = Math.min((WIDE - 2 * MARGIN) / spanEast, (MOST_TALL - 2 * MARGIN) / Math.max(1, spanNorth));
  const tall = spanNorth * perM + 2 * MARGIN;
  const bar = roundLength(spanEast / 4);
  return (
    <figure>
      <svg viewBox={`0 0 ${WIDE} ${tall + 22}`} role="img" aria-label={caption}>
        {dots.map(({ title, eastM, northM, verdict }, i) => {
          const x = MARGIN + (eastM - west) * perM;
          const y = tall - MARGIN - (northM - south) * perM;
          const anchor = x < WIDE / 4 ? "start" : x > (WIDE * 3) / 4 ? "end" : "middle";
          return (
            <g key={i} transform={`translate(${x.toFixed(1)} ${y.toFixed(1)})`}>
              <Shape verdict={verdict} />
              <text x={anchor === "start" ? -7 : anchor === "end" ? 7 : 0} y={24} text-anchor={anchor}>
                {title}
                {verdict === "gateway" ? "" : `, ${verdict === "waiting" ? "too early to say" : verdict}`}
              </text>
            </g>
          );
        })}
        <path d={`M${MARGIN} ${tall}v6h${bar * perM}v-6`} fill="none" stroke="#57606e" />
        <text x={MARGIN + bar * perM + 8} y={tall + 8} class="quiet">
          {`${bar}\u2009m, north up`}
        </text>
      </svg>
      <figcaption>{caption}</figcaption>
    </figure>
  );
}

function roundLength(metres: number): number {
  const power = 10 ** Math.floor(Math.log10(Math.max(1, metres)));
  return ([5, 2, 1].find((step) => step * power <= metres) ?? 1) * power;
}

/** Tick, triangle, cross, ring; a gateway is a filled triangle. */
function Shape({ verdict }: { readonly verdict: Dot["verdict"] }) {
  const line = { fill: "none", "stroke-width": 2 };
  switch (verdict) {
    case "good":
      return <path d="M-7 0l5 6l9 -12" stroke="#2e6a39" {...line} />;
    case "marginal":
      return <path d="M0 -8l8 14h-16z" stroke="#855600" {...line} />;
    case "dead":
      return <path d="M-7 -7l14 14M-7 7l14 -14" stroke="#a3242b" {...line} />;
    case "waiting":
      return <circle r={7} stroke="#57606e" {...line} />;
    case "gateway":
      return <path d="M0 -11l9 18h-18z" fill="#1c232e" />;
  }
}
