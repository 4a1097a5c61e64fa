/** Where does Fennick Orchard stand? Two gateways and three nodes have a place, one node has none. */
import type { PlanView, PositionRow } from "../../src/contract/index.ts";
import { SHED, type Span, TOWER } from "./orchard.ts";

const thing = (
  kind: "gateway" | "node",
  id: string,
  name: string,
  eastM: number,
  northM: number,
  life: number | null,
) => ({ kind, id, name, life, eastM, northM, heightM: null });

const THINGS = [
  thing("gateway", SHED, "Packing shed", -270, -260, null),
  thing("gateway", TOWER, "Water tower", 270, 260, null),
  thing("node", "01A2B3C4", "Frost probe row 12", -40, 120, 1),
  thing("node", "01A2B3C5", "Frost probe row 13", 180, -150, 1),
  thing("node", "01A2B3C9", "Soil probe", 610, -420, 1),
];

export const PLACES: PositionRow[] = THINGS.map(({ kind, id, name, eastM, northM }) => ({
  kind,
  id,
  name,
  from: "person",
  latitudeDeg: null,
  longitudeDeg: null,
  eastM,
  northM,
  heightM: null,
  eirpDbm: kind === "node" ? 14 : null,
  antennaGainDbi: null,
}));

/** The plan over any window. */
export function planViewOf(span: Span): PlanView {
  const nodes = THINGS.filter(({ kind }) => kind === "node");
  const gateways = THINGS.filter(({ kind }) => kind === "gateway");
  const links = nodes.flatMap((node) =>
    gateways.map((gateway) => {
      const distanceM = Math.hypot(node.eastM - gateway.eastM, node.northM - gateway.northM);
      const freeSpaceLossDb = 20 * Math.log10(distanceM) + 31.2;
      return {
        devAddr: node.id,
        life: 1,
        gatewayEui: gateway.id,
        frames: 60,
        marginMedianDb: Math.round((26 - distanceM / 40) * 10) / 10,
        distanceM,
        pathLossDb: freeSpaceLossDb + 20,
        freeSpaceLossDb,
        excessDb: 20,
      };
    }),
  );
  return {
    window: {
      from: new Date(span.fromMs).toISOString(),
      to: new Date(span.toMs).toISOString(),
      live: span.live,
    },
    sentence: [
      { text: "2 gateways and 3 nodes have a place; the longest way that was heard is 1.11\u202Fkm." },
    ],
    things: THINGS,
    links,
    fit: null,
    fitWords:
      "Not enough to say how loss grows with distance: 6 of 5 ways with a loss, their distances a factor of 3 apart, are needed.",
    powerWords: "Losses rest on the EIRP that was given for each node.",
    unplaced: [
      {
        kind: "node",
        id: "01A2B3D0",
        name: null,
        why: "no position is given",
        lastHeard: new Date(span.toMs).toISOString(),
      },
    ],
    positions: PLACES,
  };
}
