import { describe, expect, it } from "vitest";
import { Window } from "../../src/contract/index.ts";
import { resolveWindow, windowView } from "../../src/views/window.ts";

const NOW = Date.UTC(2026, 2, 14, 12) * 1000;
const STORED = { fromUs: NOW - 7200e6, toUs: NOW - 60e6 };
const at = (secondsBefore: number) => new Date(NOW / 1000 - secondsBefore * 1000).toISOString();

describe("the window that a question means", () => {
  it("is the last seconds up to now, live, this moment included", () => {
    expect(resolveWindow({ last: 3600 }, NOW, STORED)).toEqual({
      fromUs: NOW - 3600e6,
      toUs: NOW + 1,
      live: true,
    });
  });

  it("is all that is stored, its newest moment included, when nothing is asked", () => {
    expect(resolveWindow({}, NOW, STORED)).toEqual({ ...STORED, toUs: STORED.toUs + 1, live: false });
  });

  it("reaches from an open end to that of what is stored", () => {
    expect(resolveWindow({ from: at(600) }, NOW, STORED)).toMatchObject({
      fromUs: NOW - 600e6,
      toUs: STORED.toUs + 1,
    });
    expect(resolveWindow({ to: at(600) }, NOW, STORED)).toMatchObject({
      fromUs: STORED.fromUs,
      toUs: NOW - 600e6,
    });
  });

  it("leaves the end that is asked for outside", () => {
    expect(resolveWindow({ from: at(600), to: at(300) }, NOW, STORED)).toEqual({
      fromUs: NOW - 600e6,
      toUs: NOW - 300e6,
      live: false,
    });
  });

  it("takes a time with an offset for the moment it means", () => {
    expect(resolveWindow({ from: "2026-03-14T12:00:00+01:00" }, NOW, STORED).fromUs).toBe(NOW - 3600e6);
  });

  it("is never empty or reversed, not even in an empty store", () => {
    for (const query of [
      {},
      { from: at(0) },
      { to: at(9000) },
      { from: at(100), to: at(200) },
      { from: at(5), to: at(5) },
    ]) {
      for (const stored of [STORED, null]) {
        const window = resolveWindow(query, NOW, stored);
        expect(window.toUs).toBeGreaterThan(window.fromUs);
      }
    }
  });

  it("is told in ISO 8601, UTC", () => {
    const view = windowView(resolveWindow({ last: 60 }, NOW, STORED));
    expect(Window.parse(view)).toEqual({
      from: "2026-03-14T11:59:00.000Z",
      to: "2026-03-14T12:00:00.000Z",
      live: true,
    });
  });
});
