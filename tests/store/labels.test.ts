import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import { labels, setting } from "../../src/store/queries/lives.ts";
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
    expect(labels(db, "node").get("01A2B3C4")).toEqual({ id: "01A2B3C4", name: "Frost probe", own: null });
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
