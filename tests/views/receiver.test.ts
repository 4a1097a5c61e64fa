import { describe, expect, it } from "vitest";
import { ReceiverView } from "../../src/contract/receiver.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { writeBenchReference } from "../../src/store/user-data.ts";
import { receiverView } from "../../src/views/receiver.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { playedSite } from "./a-played-site.ts";
import { BESIDE, drawReceiverSite, MAST, type ReceiverSite } from "./draw-receiver-site.ts";

/**
 * Drawn sites of each kind; more with MASTLOG_RECEIVER_SITES: 20 takes some minutes and writes what came of them.
 * The limits of the counts are what the project promises: 9 of 10 deaf ones found, no sound one called deaf.
 */
const SITES = Number(process.env.MASTLOG_RECEIVER_SITES ?? 1);

function measured(
  site: ReceiverSite,
  { events = [], reference = null }: { events?: readonly object[]; reference?: string | null } = {},
): ReceiverView {
  const db = playedSite({ ...drawReceiverSite(site), events }, site.seed);
  try {
    if (reference !== null) writeBenchReference(db, { eui: reference, maxOffsetDb: 3, maxLossPoints: 2 });
    const view = receiverView(db, resolveWindow({}, 0, storedSpanUs(db)), MAST);
    if (view === null) throw new Error("no such gateway");
    return ReceiverView.parse(view);
  } finally {
    db.close();
  }
}

/** Measures so many sites, from a seed on that the kind has for itself. */
function many(firstSeed: number, site: Omit<ReceiverSite, "seed">): ReceiverView[] {
  return Array.from({ length: SITES }, (_, i) => measured({ ...site, seed: firstSeed + i }));
}

function told(kind: string, views: readonly ReceiverView[], trueDb: number): void {
  if (SITES === 1) return;
  const offsets = views.flatMap(({ overall }) => (overall === null ? [] : [overall]));
  const factors = views.flatMap((view) =>
    view.factors.flatMap(({ levelDb, interval95, floorDb }) =>
      levelDb === null || interval95 === null ? [] : [[interval95[0] - floorDb, interval95[1] - floorDb]],
    ),
  );
  const holds = (low = 0, high = 0) => low <= trueDb && trueDb <= high;
  const words = ["deaf", "sound", "open", "not enough"].map(
    (word) => `${views.filter(({ verdict }) => verdict === word).length} ${word}`,
  );
  process.stdout.write(
    `${kind}: ${words.join(", ")}; all together ${offsets.filter(({ interval95 }) => holds(...interval95)).length} of ${offsets.length} intervals hold, ` +
      `each spreading factor ${factors.filter(([low, high]) => holds(low, high)).length} of ${factors.length}; mean error ${(offsets.reduce((sum, { offsetDb }) => sum + offsetDb - trueDb, 0) / offsets.length).toFixed(2)} dB\n`,
  );
}

const count = (views: readonly ReceiverView[], verdict: ReceiverView["verdict"]) =>
  views.filter((view) => view.verdict === verdict).length;

describe("a receiver on drawn sites", () => {
  it("whose demodulator is 3 dB deaf is found deaf, beside another gateway", () => {
    const views = many(100, { alone: false, demodulatorLossDb: 3 });
    told("3 dB deaf, two gateways", views, 3);
    expect(count(views, "deaf")).toBeGreaterThanOrEqual(0.9 * SITES);
    expect(views[0]).toMatchObject({ basis: "others", reference: null });
  });

  it("whose demodulator is 3 dB deaf is found deaf, alone", () => {
    const views = many(200, { alone: true, demodulatorLossDb: 3 });
    told("3 dB deaf, alone", views, 3);
    expect(count(views, "deaf")).toBeGreaterThanOrEqual(0.9 * SITES);
    expect(views[0]).toMatchObject({ basis: "alone", noise: { others: [] } });
  });

  it("that is sound is never called deaf, nor louder than the one beside it", () => {
    const views = many(300, { alone: false });
    told("sound, two gateways", views, 0);
    expect(count(views, "deaf")).toBe(0);
    for (const { noise } of views) expect(noise.others[0]?.interval95[0] ?? 0).toBeLessThan(1);
  });

  it("that is sound is never called deaf, alone", () => {
    const views = many(400, { alone: true });
    told("sound, alone", views, 0);
    expect(count(views, "deaf")).toBe(0);
  });

  it("whose noise figure is 3 dB worse is not called deaf, and told louder than the reference", () => {
    const views = Array.from({ length: SITES }, (_, i) =>
      measured({ seed: 500 + i, alone: false, noiseFigureLossDb: 3 }, { reference: BESIDE }),
    );
    told("noise figure 3 dB worse", views, 0);
    expect(count(views, "deaf")).toBe(0);
    const louder = views.filter(({ noise }) => (noise.others[0]?.interval95[0] ?? 0) > 1);
    expect(louder.length).toBeGreaterThanOrEqual(0.9 * SITES);
    expect(louder[0]?.noise.others[0]?.sentence).toContain("side by side, that is its receiver");
    const [reference] = views.map((view) => view.reference);
    expect(reference?.eui).toBe(BESIDE);
    // Both demodulate alike: what it needs more than the reference is nothing.
    expect(reference?.interval95?.[0]).toBeLessThan(0);
    expect(reference?.interval95?.[1]).toBeGreaterThan(0);
  });

  it("stays sound when its path is out, its radio hangs and it transmits much", () => {
    const events = [
      { event: "gateway-unreachable", gateway: MAST, from: "1:00:00", to: "2:30:00" },
      { event: "gateway-deaf", gateway: MAST, from: "4:00:00", to: "5:00:00" },
      { event: "backhaul-loss", gateway: MAST, from: "6:00:00", to: "8:00:00", lossShare: 0.2 },
    ];
    const view = measured({ seed: 600, alone: false }, { events });
    expect(view.verdict).toBe("sound");
    expect(view.leftOut).toBeGreaterThan(0);
  });
});
