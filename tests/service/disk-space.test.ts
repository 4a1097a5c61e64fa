import { describe, expect, it } from "vitest";
import { MIN_FREE_BYTES } from "../../src/diagnosis/notices.ts";
import { DiskSpaceWatch } from "../../src/service/disk-space.ts";

function watch(): {
  look: (atS: number, free: number | null) => Promise<DiskSpaceWatch["space"]>;
  log: string[];
} {
  const log: string[] = [];
  let now = 0;
  let free: number | null = null;
  const watched = new DiskSpaceWatch({
    folder: "/",
    freeBytes: async () => {
      if (free === null) throw new Error("not told");
      return free;
    },
    monotonicMs: () => now * 1_000,
    onLow: (sentence) => log.push(sentence),
  });
  return {
    log,
    look: async (atS, freeBytes) => {
      now = atS;
      free = freeBytes;
      await watched.look();
      return watched.space;
    },
  };
}

describe("room on the disk of the store", () => {
  it("is enough down to the limit and low below it", async () => {
    const { look, log } = watch();
    expect((await look(0, MIN_FREE_BYTES)).state).toBe("enough");
    const low = await look(5, 120_000_000);
    expect(low).toMatchObject({ state: "low", freeBytes: 120_000_000, lastsSeconds: null });
    expect(low.words).toBe("Only 120\u202FMB are free on the disk of the store. Free some space.");
    expect(log).toEqual([low.words]);
  });

  it("lasts as long as the present rate lets it, once a minute was seen", async () => {
    const { look } = watch();
    await look(0, 220_000_000);
    expect((await look(30, 215_000_000)).lastsSeconds).toBeNull();
    // 20 MB in 100 s: 200 MB last 1,000 s.
    const { lastsSeconds, words } = await look(100, 200_000_000);
    expect(lastsSeconds).toBe(1_000);
    expect(words).toContain("At the present rate they last 17\u202Fmin.");
    // Room that grows has no end.
    expect((await look(110, 230_000_000)).lastsSeconds).toBeNull();
  });

  it("is said in the log once an hour while it stays low, and anew when it becomes low again", async () => {
    const { look, log } = watch();
    await look(0, 1_000_000);
    await look(5, 1_000_000);
    expect(log.length).toBe(1);
    await look(3_600, 1_000_000);
    expect(log.length).toBe(2);
    await look(3_605, 1e9);
    await look(3_610, 1_000_000);
    expect(log.length).toBe(3);
  });

  it("is unknown where the system does not say", async () => {
    const { look, log } = watch();
    expect(await look(0, null)).toMatchObject({ state: "unknown", freeBytes: null, words: "" });
    expect(log).toEqual([]);
  });
});
