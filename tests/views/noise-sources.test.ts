import { describe, expect, it } from "vitest";
import { AirView } from "../../src/contract/air.ts";
import type { NoiseSource } from "../../src/contract/others-on-air.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { writePosition } from "../../src/store/user-data.ts";
import { airView } from "../../src/views/air.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { playedSite } from "./a-played-site.ts";
import { drawJammedSite, type JammedSite } from "./draw-noise-site.ts";

/** Drawn sites of each kind; MASTLOG_NOISE_SITES=20 takes some minutes and writes what came of them. */
const SITES = Number(process.env.MASTLOG_NOISE_SITES ?? 2);

function sourcesOf(site: JammedSite): NoiseSource[] {
  const db = playedSite(site.scenario, 7);
  for (const { eui, eastM, northM, gainDb, gainKnown } of site.gateways)
    writePosition(db, {
      kind: "gateway",
      id: eui,
      position: {
        latitudeDeg: null,
        longitudeDeg: null,
        eastM,
        northM,
        heightM: null,
        eirpDbm: null,
        antennaGainDbi: gainKnown ? gainDb : null,
      },
    });
  const view = AirView.parse(airView(db, resolveWindow({}, 0, storedSpanUs(db))));
  db.close();
  return view.noiseSources;
}

const largest = <T>(all: readonly T[], of: (one: T) => number): T | undefined =>
  [...all].sort((a, b) => of(b) - of(a))[0];

/** What came of one site: the verdict on the place, and whether walking as told brings one nearer. */
function judged(site: JammedSite, sources: readonly NoiseSource[]) {
  const [source] = sources;
  const strongest = largest(site.gateways, ({ jamDbm }) => jamDbm);
  if (source === undefined) return { place: "none" as const, walk: null, source };
  const { verdict, gatewayEui } = source.place;
  // Alike is right where the strongest two lie within its 6 dB.
  const levels = site.gateways.map(({ jamDbm }) => jamDbm).sort((a, b) => b - a);
  const isAlike = (levels[0] ?? 0) - (levels.at(-1) ?? 0) < 6;
  const place =
    verdict === "open"
      ? ("open" as const)
      : verdict === "alike"
        ? isAlike
          ? ("right" as const)
          : ("wrong" as const)
        : gatewayEui === strongest?.eui
          ? ("right" as const)
          : ("wrong" as const);
  const at = (eui: string | undefined) => site.gateways.find((one) => one.eui === eui);
  const [from, towards] = [at(source.walk?.fromEui), at(source.walk?.towardsEui)];
  const { jammer } = site;
  // Right: the jammer lies in the half of the plan ahead.
  const walk =
    from === undefined || towards === undefined
      ? null
      : (towards.eastM - from.eastM) * (jammer.eastM - from.eastM) +
          (towards.northM - from.northM) * (jammer.northM - from.northM) >
        0;
  return { place, walk, source };
}

describe("the place of a noise on drawn sites", () => {
  const sites = Array.from({ length: SITES }, (_, i) => drawJammedSite(1 + i));
  const all = sites.map((site) => ({ site, ...judged(site, sourcesOf(site)) }));
  const count = (place: string) => all.filter((one) => one.place === place).length;

  it("with a jammer at a known place is right or open, in 19 of 20", () => {
    if (process.env.MASTLOG_NOISE_SITES !== undefined) {
      const walks = all.flatMap(({ walk }) => (walk === null ? [] : [walk]));
      const seen = all.flatMap(({ site, source }) => (source === undefined ? [] : [{ site, source }]));
      const periods = seen.flatMap(({ site, source }) =>
        source.course.periodSeconds === null
          ? []
          : [source.course.periodSeconds / (site.periodSeconds ?? Number.NaN)],
      );
      process.stdout.write(
        `${SITES} jammed sites: ${count("right")} right, ${count("open")} open, ${count("wrong")} wrong, ${count("none")} not seen; ` +
          `${walks.filter(Boolean).length} of ${walks.length} walks towards the jammer; periods told ${periods.length} of ${sites.filter(({ periodSeconds }) => periodSeconds !== null).length}, over true ${periods.map((one) => one.toFixed(3)).join(" ")}; ` +
          `width ${seen.map(({ site, source }) => `${site.isWide ? "wide" : "one"}:${source.width}`).join(", ")}\n`,
      );
      for (const { site, place, source } of all)
        process.stdout.write(
          `  ${place}${site.periodSeconds === null ? "" : " pulsed"} rises ${site.gateways.map(({ riseDb, jamDbm }) => `${riseDb.toFixed(0)} (${jamDbm.toFixed(0)})`).join(" ")}: ${source?.words ?? ""} ${source?.place.words ?? ""}\n`,
        );
    }
    expect(count("wrong")).toBeLessThanOrEqual(SITES / 20);
  });

  it("names a period only where the jammer has one, and that one", () => {
    for (const { site, source } of all) {
      const { periodSeconds = null } = source?.course ?? {};
      if (periodSeconds === null) continue;
      expect(site.periodSeconds).not.toBeNull();
      expect(Math.abs(periodSeconds / (site.periodSeconds ?? 1) - 1)).toBeLessThan(0.02);
    }
  });

  it("without one is told nowhere", () => {
    for (let seed = 1; seed <= SITES; seed += 1)
      expect(sourcesOf(drawJammedSite(500 + seed, false)).map(({ words }) => words)).toEqual([]);
  });
});
