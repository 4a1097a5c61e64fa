/**
 * What is said of real losses whose truth is known in part (tests/data/open-receptions/README.md): right, or left open, and never
 * a cause that did not occur.
 */
import { afterAll, describe, expect, it } from "vitest";
import type { DropoutRow } from "../../src/contract/gaps.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { farNode, indoorNode, storeOf } from "./open-receptions.ts";

function gapsOf(db: ReturnType<typeof storeOf>): DropoutRow[] {
  const span = storedSpanUs(db);
  if (span === null) throw new Error("nothing is stored");
  return gapsView(db, { fromUs: span.fromUs, toUs: span.toUs + 1, live: false }).gaps;
}

const causesOf = (gaps: readonly DropoutRow[]) =>
  [...new Set(gaps.map(({ finding }) => finding.cause))].sort();

describe("the indoor node with 0.5 dB of margin", () => {
  const db = storeOf(indoorNode());
  afterAll(() => db.close());

  it("loses steadily over a weak link, whatever else struck", () => {
    const steady = gapsOf(db).filter(({ kind }) => kind === "steady");
    expect(steady.map(({ finding }) => finding.cause)).toEqual(["weak-link"]);
    expect(steady[0]?.missedCounters).toBe(4_150);
  });

  it("leaves open why nothing came on 11 July 2023, when the collecting side was down", () => {
    const at = "2023-07-11T14:00:00Z";
    const then = gapsOf(db).filter(({ kind, from, to }) => kind === "counters" && from < at && to > at);
    expect(then.map(({ finding }) => finding.cause)).toEqual(["unexplained"]);
    const [gap] = then;
    expect(gap?.missedCounters).toBe(32);
    expect(gap?.finding.alternatives.map(({ cause }) => cause)).toContain("gateway-unreachable");
  });

  it("is never told of interference or of a silent node", () => {
    expect(causesOf(gapsOf(db))).toEqual(["unexplained", "weak-link"]);
  });
});

describe("the far node at 109 km", () => {
  const db = storeOf(farNode());
  afterAll(() => db.close());

  it("loses steadily over a weak link", () => {
    const steady = gapsOf(db).filter(({ kind }) => kind === "steady");
    expect(steady.map(({ finding }) => finding.cause)).toEqual(["weak-link"]);
  });

  it("leaves every total loss of days open: nothing heard tells its cause", () => {
    const total = gapsOf(db).filter(({ kind }) => kind !== "steady");
    expect(total.length).toBeGreaterThan(50);
    expect(causesOf(total)).toEqual(["unexplained"]);
  });
});
