import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { sentenceText, table } from "../../src/commands/terminal.ts";

describe("a table of text", () => {
  const columns = [
    { title: "name", of: (row: readonly [string, number]) => row[0] },
    { title: "heard", of: (row: readonly [string, number]) => String(row[1]), right: true },
    { title: "", of: () => "clause" },
  ];

  it("stands in columns, numbers on the right", () => {
    expect(
      table(
        [
          ["Pond pump", 7],
          ["Door", 1200],
        ],
        columns,
      ),
    ).toBe(["name       heard", "Pond pump      7  clause", "Door        1200  clause"].join("\n"));
  });

  it("is nothing without rows", () => expect(table([], columns)).toBe(""));

  it("begins each column at one place, whatever the words", () => {
    const word = fc.stringMatching(/^[A-Za-zåöé°–\u2212🍎]{1,12}$/u);
    fc.assert(
      fc.property(fc.array(fc.tuple(word, fc.nat(99_999)), { minLength: 1, maxLength: 8 }), (rows) => {
        const lines = table(rows, columns).split("\n");
        expect(lines).toHaveLength(rows.length + 1);
        const begins = lines.slice(1).map((line) => [...line].length - "clause".length);
        expect(new Set(begins).size).toBe(1);
        for (const line of lines) expect(line).toBe(line.trimEnd());
      }),
    );
  });
});

it("a sentence is printed without its links", () => {
  expect(sentenceText([{ text: "3 of 14 nodes", href: "#/nodes" }, { text: " lost." }])).toBe(
    "3 of 14 nodes lost.",
  );
});
