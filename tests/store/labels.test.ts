import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { siteNames } from "../../src/store/narrowed.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { labels } from "../../src/store/queries/lives.ts";
import { setting } from "../../src/store/settings.ts";
import { writeLabel, writeSiteName } from "../../src/store/user-data.ts";

let db: Store;
beforeEach(() => {
  db = openStore(":memory:");
});
afterEach(() => {
  db.close();
});

describe("what people call things", () => {
  it("takes back whose a node is and keeps its name", () => {
    writeLabel(db, { kind: "node", id: "01A2B3C4", name: "Frost probe", own: false });
    writeLabel(db, { kind: "node", id: "01A2B3C4", own: null });
    expect(labels(db, "node").get("01A2B3C4")).toEqual({
      id: "01A2B3C4",
      name: "Frost probe",
      own: null,
      site: null,
    });
  });

  it("puts a gateway into a site and takes it out, beside its name; a node has no site", () => {
    writeLabel(db, { kind: "gateway", id: "02005E1000000001", name: "Mast", site: " Fennick Orchard " });
    writeLabel(db, { kind: "gateway", id: "02005E1000000002", site: "Hollow Quarry" });
    writeLabel(db, { kind: "node", id: "01A2B3C4", name: "Probe", site: "Hollow Quarry" });
    expect(labels(db, "gateway").get("02005E1000000001")).toMatchObject({
      name: "Mast",
      site: "Fennick Orchard",
    });
    expect(labels(db, "node").get("01A2B3C4")?.site).toBeNull();
    expect(siteNames(db)).toEqual(["Fennick Orchard", "Hollow Quarry"]);
    writeLabel(db, { kind: "gateway", id: "02005E1000000001", site: null });
    writeLabel(db, { kind: "gateway", id: "02005E1000000002", site: " " });
    expect(labels(db, "gateway").get("02005E1000000001")).toMatchObject({ name: "Mast", site: null });
    expect(labels(db, "gateway").has("02005E1000000002")).toBe(false);
    expect(siteNames(db)).toEqual([]);
  });

  it("keeps the site's name until it is taken back, with null or with nothing but spaces", () => {
    for (const nothing of [null, "  "]) {
      writeSiteName(db, " Fennick Orchard ");
      expect(setting(db, "site-name")).toBe("Fennick Orchard");
      writeSiteName(db, nothing);
      expect(setting(db, "site-name")).toBeNull();
    }
  });
});
