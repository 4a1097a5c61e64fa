/**
 * Does every formula give the figures of its source? One test for each entry of the check-value file, named by id and
 * source. MASTLOG_CHECK_VALUES names another file of the same form.
 */
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { z } from "zod";
import { type CheckInput, checkGroups, notBuiltYet } from "./check-groups.ts";

const fileSchema = z.object({
  groups: z
    .array(
      z.object({
        id: z.string(),
        title: z.string(),
        checks: z
          .array(
            z.object({
              id: z.string(),
              input: z.record(z.string(), z.unknown()),
              expected: z.unknown(),
              tolerance: z.number().nonnegative(),
              source: z.string(),
            }),
          )
          .min(1),
      }),
    )
    .min(1),
});

const path =
  process.env.MASTLOG_CHECK_VALUES ??
  new URL("../data/published/check-values.json", import.meta.url).pathname;
const file = fileSchema.parse(JSON.parse(readFileSync(path, "utf8")));

/** Compares every number of `expected` within an absolute tolerance, everything else exactly. */
function mustMatch(actual: unknown, expected: unknown, tolerance: number, where: string): void {
  if (typeof expected === "number") {
    expect(typeof actual, `${where} is a number`).toBe("number");
    // A tolerance of 0 on arithmetic in binary fractions means: to the last digits of a double.
    const slack = tolerance + 1e-12 * Math.max(1, Math.abs(expected));
    expect(
      Math.abs((actual as number) - expected),
      `${where}: ${String(actual)} for ${expected}`,
    ).toBeLessThanOrEqual(slack);
  } else if (Array.isArray(expected)) {
    expect(Array.isArray(actual), `${where} is a list`).toBe(true);
    const list = actual as unknown[];
    expect(list.length, `${where}: length`).toBe(expected.length);
    expected.forEach((value, i) => {
      mustMatch(list[i], value, tolerance, `${where}[${i}]`);
    });
  } else if (typeof expected === "object" && expected !== null) {
    expect(Object.keys(expected).length, `${where} expects something`).toBeGreaterThan(0);
    for (const [key, value] of Object.entries(expected)) {
      mustMatch((actual as Record<string, unknown>)[key], value, tolerance, `${where}.${key}`);
    }
  } else {
    expect(actual, where).toEqual(expected);
  }
}

describe("published check values", () => {
  for (const group of file.groups) {
    describe(`${group.id}: ${group.title}`, () => {
      const run = checkGroups.get(group.id);
      for (const check of group.checks) {
        it(`${check.id} agrees with ${check.source}`, ({ skip }) => {
          if (notBuiltYet.has(group.id)) {
            skip(`the subject of ${group.id} is not built yet`);
          }
          if (run === undefined) {
            throw new Error(`No test knows the group ${group.id}.`);
          }
          const actual = run(check.input as CheckInput);
          mustMatch(actual, check.expected, check.tolerance, check.id);
        });
      }
    });
  }
});
