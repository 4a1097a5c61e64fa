import { describe, expect, it } from "vitest";
import { storePlace } from "../../src/commands/options.ts";

const facts = (
  platform: NodeJS.Platform,
  home: string,
  environment: Record<string, string> = {},
  isCheckout = false,
) => storePlace({ platform, home, environment, isCheckout });

describe("the store that nobody named", () => {
  it("is in the working folder of a checkout, on every system", () => {
    for (const platform of ["linux", "darwin", "win32"] as const)
      expect(facts(platform, "/home/pat", { XDG_DATA_HOME: "/data" }, true)).toBe("mastlog.db");
  });

  it("follows the XDG rule on Linux, where a relative folder counts for nothing", () => {
    expect(facts("linux", "/home/pat")).toBe("/home/pat/.local/share/mastlog/mastlog.db");
    expect(facts("linux", "/home/pat", { XDG_DATA_HOME: "/data" })).toBe("/data/mastlog/mastlog.db");
    expect(facts("linux", "/home/pat", { XDG_DATA_HOME: "data" })).toBe(
      "/home/pat/.local/share/mastlog/mastlog.db",
    );
  });

  it("is beside other programs' data on macOS and Windows", () => {
    expect(facts("darwin", "/Users/pat")).toBe("/Users/pat/Library/Application Support/Mastlog/mastlog.db");
    expect(facts("win32", "C:\\Users\\pat", { LOCALAPPDATA: "D:\\Local" })).toBe(
      "D:\\Local\\Mastlog\\mastlog.db",
    );
    expect(facts("win32", "C:\\Users\\pat")).toBe("C:\\Users\\pat\\AppData\\Local\\Mastlog\\mastlog.db");
  });
});
