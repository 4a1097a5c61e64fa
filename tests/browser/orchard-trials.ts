/** Where the growers' gateways stand, and what comparing the places says: invented answers of the contract's shape. */
import type { PlacementRow } from "../../src/contract/index.ts";

const UNSAID = { heightM: null, antennaGainDbi: null, cableLossDb: null, direction: null, note: null };

/** The tower's gateway stood on the north parapet before it stood on the mast. */
export function placementRows(): PlacementRow[] {
  const tower = { gatewayEui: "02005E1000000002", gatewayName: "Water tower", antenna: null };
  return [
    {
      ...tower,
      ...UNSAID,
      id: 1,
      name: "North parapet",
      from: "2026-04-13T06:00:00.000Z",
      to: "2026-04-14T08:00:00.000Z",
      heightM: 11,
    },
    {
      ...tower,
      ...UNSAID,
      id: 2,
      name: "Tower mast",
      from: "2026-04-14T08:00:00.000Z",
      to: null,
      heightM: 17.5,
      antennaGainDbi: 6,
      cableLossDb: 1.2,
      direction: "south-west",
      note: "Pole of the old weather post",
    },
  ];
}
