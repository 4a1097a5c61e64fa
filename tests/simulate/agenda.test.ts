import fc from "fast-check";
import { expect, it } from "vitest";
import { Agenda } from "../../src/simulate/scenario-time.ts";

it("gives back entries in order of time, and those of one time in order of entry", () => {
  const entries = fc.array(fc.integer({ min: 0, max: 20 }), { maxLength: 200 });
  fc.assert(
    fc.property(entries, (times) => {
      const agenda = new Agenda<number>();
      times.forEach((atUs, index) => {
        agenda.add(atUs, index);
      });
      const taken: (readonly [number, number])[] = [];
      for (let next = agenda.take(); next !== null; next = agenda.take()) taken.push([next.atUs, next.what]);
      const expected = times.map((atUs, index) => [atUs, index] as const).sort(([a], [b]) => a - b);
      expect(taken).toEqual(expected);
    }),
  );
});

it("takes entries that are added while it is being emptied", () => {
  const agenda = new Agenda<string>();
  agenda.add(5, "late");
  agenda.add(1, "first");
  expect(agenda.take()).toMatchObject({ what: "first" });
  agenda.add(2, "second");
  expect(agenda.take()).toMatchObject({ atUs: 2, what: "second" });
  expect(agenda.take()).toMatchObject({ what: "late" });
  expect(agenda.take()).toBeNull();
});
