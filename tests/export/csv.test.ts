import { describe, expect, it } from "vitest";
import type { Cell, Column, ColumnType } from "../../src/export/table.ts";
import { csvHead, csvRows, jsonRows } from "../../src/export/table.ts";

function lineOf(...cells: readonly (readonly [ColumnType, Cell])[]): string {
  const columns: Column[] = cells.map(([type], i) => ({ name: `c${i}`, type }));
  return csvRows(columns, [cells.map(([, cell]) => cell)]);
}

// RFC 4180 section 2, by the number of the rule.
describe("comma-separated values", () => {
  it("ends each line, the head too, by CR LF (rules 1 to 4)", () => {
    const columns: Column[] = [
      { name: "devAddr", type: "text" },
      { name: "rssiDbm", type: "number" },
    ];
    expect(csvHead(columns)).toBe("devAddr,rssiDbm\r\n");
    expect(csvRows(columns, [["01A2B3C4", -97.5]])).toBe("01A2B3C4,-97.5\r\n");
  });

  it("quotes fields with a comma, a quote or a line break, and doubles quotes (rules 5 to 7)", () => {
    expect(lineOf(["text", "shed, north"], ["text", 'the "old" mast'], ["text", "two\r\nlines"])).toBe(
      '"shed, north","the ""old"" mast","two\r\nlines"\r\n',
    );
  });

  it("puts an apostrophe before text that a spreadsheet takes for a formula", () => {
    for (const begin of ["=", "+", "-", "@", "\t"])
      expect(lineOf(["text", `${begin}1+1`])).toBe(`'${begin}1+1\r\n`);
    expect(lineOf(["text", "\r=1"])).toBe('"\'\r=1"\r\n');
    expect(lineOf(["text", '=HYPERLINK("x")'])).toBe('"\'=HYPERLINK(""x"")"\r\n');
  });

  it("leaves numbers numbers, negative ones too", () => {
    expect(lineOf(["number", -3.5], ["int64", 4_294_967_296], ["int32", -1])).toBe("-3.5,4294967296,-1\r\n");
  });

  it("leaves empty what is not known, and writes times in UTC to the microsecond", () => {
    const atUs = Date.UTC(2026, 2, 14, 9) * 1000 + 12;
    expect(lineOf(["text", null], ["time", atUs], ["boolean", false])).toBe(
      ",2026-03-14T09:00:00.000012Z,false\r\n",
    );
  });
});

describe("JSON lines", () => {
  it("holds one object a line that reads back to the same cells", () => {
    const columns: Column[] = [
      { name: "name", type: "text" },
      { name: "snrDb", type: "number" },
      { name: "at", type: "time" },
      { name: "repeat", type: "boolean" },
      { name: "life", type: "int32" },
    ];
    const atUs = Date.UTC(2026, 2, 14, 9) * 1000 + 999_999;
    const text = jsonRows(columns, [
      ['=a "b"\n', -7.2, atUs, true, null],
      ["\u0000é", 0, 0, false, 2],
    ]);
    expect(
      text
        .split("\n")
        .slice(0, 2)
        .map((line) => JSON.parse(line)),
    ).toEqual([
      { name: '=a "b"\n', snrDb: -7.2, at: "2026-03-14T09:00:00.999999Z", repeat: true, life: null },
      { name: "\u0000é", snrDb: 0, at: "1970-01-01T00:00:00.000000Z", repeat: false, life: 2 },
    ]);
  });
});
