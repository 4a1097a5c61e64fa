import { describe, expect, test } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import {
  changePlacements,
  MAX_PLACEMENTS,
  type NewPlacement,
  placementPhoto,
  placements,
  writePlacementPhoto,
} from "../../src/store/placements.ts";
import type { NotWrittenCode, Written } from "../../src/store/written.ts";
import { PNG_DOT } from "../wire/picture/pictures.ts";

const TOWER = "02005E1000000002";
const SHED = "02005E1000000001";

function place(
  db: Store,
  name: string,
  fromUs: number,
  more: Partial<NewPlacement> = {},
): number | NotWrittenCode {
  const placement = {
    name,
    gatewayEui: TOWER,
    antenna: null,
    fromUs,
    heightM: null,
    antennaGainDbi: null,
    cableLossDb: null,
    direction: null,
    note: null,
    ...more,
  };
  return outcomeOf(changePlacements(db, { kind: "add", placement }));
}

/** The number of what was written, or the code of why it was not. */
function outcomeOf(written: Written): number | NotWrittenCode {
  return written.ok ? written.result : written.code;
}

function added(...of: Parameters<typeof place>): number {
  return Number(place(...of));
}

describe("a placement", () => {
  test("ends where the next of the same gateway and antenna begins", () => {
    const db = openStore(":memory:");
    place(db, "Mast", 2_000);
    place(db, "Parapet", 1_000);
    place(db, "Shed wall", 1_500, { gatewayEui: SHED });
    place(db, "Left antenna", 1_200, { antenna: 0 });
    expect(placements(db).map(({ name, fromUs, toUs }) => [name, fromUs, toUs])).toEqual([
      ["Parapet", 1_000, 2_000],
      ["Left antenna", 1_200, null],
      ["Shed wall", 1_500, null],
      ["Mast", 2_000, null],
    ]);
  });

  test("keeps what was said of it, and gives back what is taken back", () => {
    const db = openStore(":memory:");
    const id = added(db, "Mast", 1_000, { heightM: 17.5, antennaGainDbi: 5.8, cableLossDb: 1.2 });
    changePlacements(db, {
      kind: "change",
      id,
      edit: { cableLossDb: null, note: "new cable", name: "Old mast" },
    });
    expect(placements(db)[0]).toEqual({
      id,
      name: "Old mast",
      gatewayEui: TOWER,
      antenna: null,
      fromUs: 1_000,
      toUs: null,
      heightM: 17.5,
      antennaGainDbi: 5.8,
      cableLossDb: null,
      direction: null,
      note: "new cable",
      photoDigest: null,
    });
  });

  test("keeps one photo, which goes with it", () => {
    const db = openStore(":memory:");
    const id = added(db, "Mast", 1_000);
    const photo = { type: "image/png" as const, octets: PNG_DOT };
    expect(outcomeOf(writePlacementPhoto(db, id, photo))).toBe(id);
    expect(placementPhoto(db, id)).toEqual(photo);
    expect(placements(db)[0]?.photoDigest).toMatch(/^[0-9a-f]{12}$/);
    expect(outcomeOf(writePlacementPhoto(db, id + 1, photo))).toBe("no-such-placement");
    writePlacementPhoto(db, id, null);
    expect(placementPhoto(db, id)).toBeNull();
    writePlacementPhoto(db, id, photo);
    changePlacements(db, { kind: "remove", id });
    expect(db.prepare("SELECT count(*) FROM placement_photo").pluck().get()).toBe(0);
  });

  test("may come back under its name, but a name means one antenna", () => {
    const db = openStore(":memory:");
    place(db, "Mast", 1_000);
    place(db, "Parapet", 2_000);
    expect(place(db, "Mast", 3_000)).toBeGreaterThan(0);
    expect(place(db, "mast", 4_000, { gatewayEui: SHED })).toBe("placement-elsewhere");
    expect(place(db, "Mast", 4_000, { antenna: 1 })).toBe("placement-elsewhere");
  });

  test("begins at a moment of its own", () => {
    const db = openStore(":memory:");
    place(db, "Mast", 1_000);
    const parapet = added(db, "Parapet", 2_000);
    expect(place(db, "Roof", 1_000)).toBe("placement-begins-twice");
    expect(outcomeOf(changePlacements(db, { kind: "change", id: parapet, edit: { fromUs: 1_000 } }))).toBe(
      "placement-begins-twice",
    );
  });

  test("is not there once removed, and the one before lasts on", () => {
    const db = openStore(":memory:");
    place(db, "Mast", 1_000);
    const id = added(db, "Parapet", 2_000);
    expect(outcomeOf(changePlacements(db, { kind: "remove", id }))).toBe(id);
    expect(outcomeOf(changePlacements(db, { kind: "remove", id }))).toBe("no-such-placement");
    expect(outcomeOf(changePlacements(db, { kind: "change", id, edit: { note: "" } }))).toBe(
      "no-such-placement",
    );
    expect(placements(db).map(({ toUs }) => toUs)).toEqual([null]);
  });

  test("is one of a bounded number", () => {
    const db = openStore(":memory:");
    db.transaction(() => {
      for (let i = 0; i < MAX_PLACEMENTS; i++) place(db, "Mast", i);
    })();
    expect(place(db, "Mast", MAX_PLACEMENTS)).toBe("placements-full");
  });
});
