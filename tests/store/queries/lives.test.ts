import { describe, expect, it } from "vitest";
import { openStore } from "../../../src/store/open.ts";
import { storedSpanUs } from "../../../src/store/queries/lives.ts";
import { gatewayRow, receptionRow } from "./rows.ts";

describe("the stretch that is stored", () => {
  it("is none in an empty store", () => {
    expect(storedSpanUs(openStore(":memory:"))).toBeNull();
  });

  it("reaches from the first datagram of any gateway to the last", () => {
    const db = openStore(":memory:");
    gatewayRow(db, 1, 500);
    gatewayRow(db, 2, 100);
    expect(storedSpanUs(db)).toEqual({ fromUs: 100, toUs: 500 });
  });

  it("holds a packet that the path held up and that was dated back before the first datagram", () => {
    const db = openStore(":memory:");
    gatewayRow(db, 1, 500);
    receptionRow(db, { atUs: 420 });
    expect(storedSpanUs(db)).toEqual({ fromUs: 420, toUs: 500 });
  });
});
