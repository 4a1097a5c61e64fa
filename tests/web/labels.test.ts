import { describe, expect, it } from "vitest";
import { gatewayTitle, markAbout, shortEui, withShortEuis } from "../../web/src/format.ts";

describe("a gateway that nobody has named", () => {
  it("is called by the last four digits of its identifier, and by more where another ends alike", () => {
    expect(shortEui("02005E10000AB123")).toBe("…B123");
    expect(shortEui("02005E10000AB124")).toBe("…B124");
    // 10000C and 10000A before B123: four digits are alike, six are not.
    expect(shortEui("02005E10000CB123")).toBe("…0CB123");
    expect(shortEui("02005E10000AB123")).toBe("…0AB123");
    expect(shortEui("02005E20000AB123")).toBe("…20000AB123");
    expect(shortEui("AA005E10000AB123")).toBe("AA005E10000AB123");
  });

  it("is called so within the service's words, where nothing else is shortened", () => {
    expect(withShortEuis("02005E1000007701 sent nothing; 01F2A117 (FCnt 12) did.")).toBe(
      "…7701 sent nothing; 01F2A117 (FCnt 12) did.",
    );
    expect(withShortEuis("AB02005E1000007701")).toBe("AB02005E1000007701");
  });

  it("gives way to a name", () => {
    const gateway = { gatewayEui: "02005E1000007702", gatewayName: "Packing shed" };
    expect(gatewayTitle(gateway)).toBe("Packing shed");
    expect(gatewayTitle({ ...gateway, gatewayName: null })).toBe("…7702");
    const about = { ...gateway, devAddr: null, nodeName: null };
    expect(markAbout({ ...about, gatewayName: null })).toBe("…7702");
    expect(markAbout({ ...about, gatewayName: null, gatewayEui: null })).toBe("the site");
  });
});
