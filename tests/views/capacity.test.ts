import { describe, expect, it } from "vitest";
import { CapacityView } from "../../src/contract/capacity.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { capacityView } from "../../src/views/capacity.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { playedSite } from "./a-played-site.ts";
import { changedTo, drawAnsweredSite, drawCrowdedSite, grown } from "./draw-crowded-site.ts";

/**
 * Drawn sites; more with MASTLOG_CAPACITY_SITES: 20 takes some minutes and writes how many outcomes lay inside the
 * intervals. With MASTLOG_CAPACITY_ANSWERED so many sites in their place, whose nodes repeat and whose gateways answer.
 */
const ANSWERED = Number(process.env.MASTLOG_CAPACITY_ANSWERED ?? 0);
const SITES = ANSWERED > 0 ? ANSWERED : Number(process.env.MASTLOG_CAPACITY_SITES ?? 1);
const SHARE = 0.9;

function capacityOf(scenario: object, seed: number, share = SHARE): CapacityView {
  const db = playedSite(scenario, seed, ANSWERED > 0);
  try {
    return CapacityView.parse(capacityView(db, resolveWindow({}, 0, storedSpanUs(db)), share));
  } finally {
    db.close();
  }
}

/** What came of it, by the simulator's own account: counters heard of those sent by one's own nodes, by address. */
function outcomeOf(scenario: object, seed: number): Map<string, { heard: number; sent: number }> {
  const read = readScenario(JSON.stringify(scenario));
  if (!read.ok) throw new Error(read.sentence);
  const clock = { startUs: Date.parse(read.scenario.start) * 1000, speed: 1 };
  const play = playSite(read.scenario, createRandom(seed), clock);
  for (const passage of play.passages) play.truth.passed(passage);
  const nodes = new Map<string, { heard: number; sent: number }>();
  for (const { devAddr, stranger, heard, sent } of play.truth.finish(seed, read.scenario.duration).nodes)
    if (!stranger) nodes.set(devAddr, { heard, sent });
  return nodes;
}

function shareOf(nodes: Iterable<{ heard: number; sent: number }>): number {
  let [heard, sent] = [0, 0];
  for (const node of nodes) {
    heard += node.heard;
    sent += node.sent;
  }
  return heard / sent;
}

describe("room for more nodes on drawn sites", { timeout: 180_000 * SITES }, () => {
  const seen = Array.from({ length: SITES }, (_, i) => {
    // The seventh has little room, so that its grown site is quickly played.
    const seed = SITES === 1 ? 7 : 1 + i;
    const site = ANSWERED > 0 ? drawAnsweredSite(seed) : drawCrowdedSite(seed);
    return { seed, site, view: capacityOf(site, seed) };
  });

  it("lies where the grown site falls below the share", () => {
    let inside = 0;
    let safe = 0;
    let counted = 0;
    for (const { seed, site, view } of seen) {
      const { mean } = view;
      if (mean === null || view.verdict !== "room") continue;
      counted += 1;
      const [low, high] = mean.interval95;
      const atLow = shareOf(outcomeOf(grown(site, low, seed), seed + 1000).values());
      const atHigh = high > 3000 ? 0 : shareOf(outcomeOf(grown(site, high, seed), seed + 1000).values());
      const holds = atLow >= SHARE && atHigh <= SHARE;
      if (holds) inside += 1;
      if (atLow >= SHARE) safe += 1;
      if (SITES > 1)
        process.stdout.write(
          `${site.title}: ${site.nodes.length} nodes, ${site.physics.capture} ${site.physics.captureDb.toFixed(1)} dB, ${mean.moreNodes} more (${low} to ${high}); delivery ${atLow.toFixed(3)} and ${atHigh.toFixed(3)} there${holds ? "" : " OUTSIDE"}\n`,
        );
    }
    if (SITES > 1)
      process.stdout.write(`room: ${inside} of ${counted} inside, ${counted - safe} promised too much\n`);
    expect(counted).toBeGreaterThan(0);
    // What is lost of a node that asks for acknowledgements it sends again: there is more room than is said.
    expect(ANSWERED > 0 ? safe : inside).toBeGreaterThanOrEqual(0.9 * counted);
  });

  it("gives the delivery of the site as it grows", () => {
    let inside = 0;
    let counted = 0;
    for (const { seed, site, view } of seen) {
      for (const point of view.curve.slice(1, SITES > 1 ? 5 : 2)) {
        const delivery = shareOf(outcomeOf(grown(site, point.moreNodes, seed + 7), seed + 2000).values());
        const [low, high] = point.interval95;
        counted += 1;
        if (low <= delivery && delivery <= high) inside += 1;
        else if (SITES > 1)
          process.stdout.write(
            `${site.title}, ${site.physics.capture} ${site.physics.captureDb.toFixed(1)} dB: ${point.moreNodes} more, expected ${point.delivery.toFixed(3)} (${low.toFixed(3)} to ${high.toFixed(3)}), came ${delivery.toFixed(3)}\n`,
          );
      }
    }
    if (SITES > 1) process.stdout.write(`delivery of grown sites: ${inside} of ${counted} inside\n`);
    expect(inside).toBeGreaterThanOrEqual(0.9 * counted);
  });

  it("gives the delivery of a node at a faster data rate", () => {
    let inside = 0;
    let counted = 0;
    for (const { seed, site, view } of seen) {
      for (const change of view.changes.slice(0, SITES > 1 ? 6 : 2)) {
        const { devAddr, toSpreadingFactor, interval95, wouldBe } = change;
        const outcome = outcomeOf(changedTo(site, devAddr, toSpreadingFactor), seed + 3000).get(devAddr);
        if (outcome === undefined) continue;
        const came = outcome.heard / outcome.sent;
        // What comes is a draw of so many frames itself.
        const slack = 1.96 * Math.sqrt((wouldBe * (1 - wouldBe)) / outcome.sent);
        counted += 1;
        if (interval95[0] - slack <= came && came <= interval95[1] + slack) inside += 1;
        else if (SITES > 1)
          process.stdout.write(
            `${site.title}: ${devAddr} to SF${toSpreadingFactor}, expected ${wouldBe.toFixed(3)} (${interval95.map((one) => one.toFixed(3)).join(" to ")}), came ${came.toFixed(3)}\n`,
          );
      }
    }
    if (SITES > 1) process.stdout.write(`changed data rates: ${inside} of ${counted} inside\n`);
    expect(counted).toBeGreaterThan(0);
    expect(inside).toBeGreaterThanOrEqual(0.9 * counted);
  });
});
