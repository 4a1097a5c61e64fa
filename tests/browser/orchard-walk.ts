/** What would the service say of a walk with the tractor's tracker: four stops, one dead, one just begun? */
import type { WalkReach, WalkStop, WalkVerdict, WalkView } from "../../src/contract/index.ts";
import { SHED, type Span, TOWER } from "./orchard.ts";

const iso = (ms: number) => new Date(Math.round(ms)).toISOString();

function reach(
  gatewayEui: string,
  counters: number,
  heard: number,
  margin: number | null,
  verdict: WalkVerdict,
): WalkReach {
  const spread = {
    median: margin,
    p10: margin === null ? null : margin - 2,
    p90: margin === null ? null : margin + 2,
  };
  return {
    gatewayEui,
    heard,
    deliveryRatio: counters === 0 ? null : heard / counters,
    deliveryInterval95:
      counters === 0 ? null : [Math.max(0, heard / counters - 0.2), Math.min(1, heard / counters + 0.1)],
    marginDb: { ...spread, count: heard },
    verdict,
  };
}

export function walkView(span: Span): WalkView {
  const at = (share: number) => iso(span.fromMs + (span.toMs - span.fromMs) * share);
  const stop = (
    markId: number,
    name: string,
    share: number,
    place: { eastM: number; northM: number } | null,
    counters: number,
    gateways: WalkReach[],
    best: WalkVerdict,
  ): WalkStop => ({
    markId,
    name,
    from: at(share),
    to: at(share + 0.15),
    position: place === null ? null : { eastMetres: place.eastM, northMetres: place.northM },
    place,
    counters,
    missed: Math.max(0, counters - Math.max(...gateways.map(({ heard }) => heard))),
    best,
    gateways,
  });
  return {
    window: { from: iso(span.fromMs), to: iso(span.toMs), live: span.live },
    sentence: [
      {
        text: "Tractor tracker: 1 of 4 stops is good, 1 is marginal (Row 12), 1 is dead (Cold store 1), at 1 it is too early to say.",
      },
    ],
    devAddr: "01A2B3C9",
    name: "Tractor tracker",
    life: 1,
    limits: {
      leastCounters: 5,
      goodDelivery: 0.9,
      goodMarginDb: 5,
      deadDelivery: 0.5,
      words: "good: 90\u202F% heard or more with a median margin of 5.0\u202FdB or more",
    },
    gateways: [
      { eui: SHED, name: "Packing shed", place: { eastM: 0, northM: 0 } },
      { eui: TOWER, name: "Water tower", place: { eastM: 420, northM: 310 } },
    ],
    stops: [
      stop(
        11,
        "Yard",
        0.1,
        { eastM: 60, northM: -40 },
        12,
        [reach(SHED, 12, 12, 18.5, "good"), reach(TOWER, 12, 11, 6.1, "good")],
        "good",
      ),
      stop(
        12,
        "Row 12",
        0.3,
        { eastM: 310, northM: -180 },
        10,
        [reach(SHED, 10, 7, 3.2, "marginal"), reach(TOWER, 10, 4, 1.1, "dead")],
        "marginal",
      ),
      stop(
        13,
        "Cold store 1",
        0.5,
        { eastM: -120, northM: 90 },
        9,
        [reach(SHED, 9, 2, 0.8, "dead"), reach(TOWER, 9, 0, null, "dead")],
        "dead",
      ),
      stop(
        14,
        "Pond",
        0.8,
        null,
        2,
        [reach(SHED, 2, 2, 9, "waiting"), reach(TOWER, 2, 1, 4, "waiting")],
        "waiting",
      ),
    ],
  };
}
