import * as fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type NameOf, plainJson, plainLine, plainLines, renderNamed } from "../../src/model/text.ts";
import { holds } from "../wire/forwarder/arbitraries.ts";

const SHED = "02005E1000000001";
const NODE = "01A2B3C4";
const named: NameOf = (kind) => (kind === "gateway" ? 'Shed $& "north"' : "Frost probe");
const nameless: NameOf = () => null;

describe("a sentence stored with identifiers", () => {
  it("bears the names that hold when it is read, whatever signs are in them", () => {
    const text = ["All that ", { gateway: SHED }, " hears fell."];
    expect(renderNamed(text, named)).toBe('All that Shed $& "north" hears fell.');
    expect(renderNamed(["It continues as ", { node: NODE }, "."], named)).toBe(
      "It continues as Frost probe (01A2B3C4).",
    );
  });

  it("without a name shows the identifier, with a capital letter where it begins", () => {
    expect(renderNamed([{ gateway: SHED }, " heard nothing."], nameless)).toBe(
      "Gateway 02005E1000000001 heard nothing.",
    );
    expect(renderNamed(["All that ", { gateway: SHED }, " hears fell."], nameless)).toBe(
      "All that gateway 02005E1000000001 hears fell.",
    );
    expect(renderNamed(["It continues as ", { node: NODE }, "."], nameless)).toBe(
      "It continues as 01A2B3C4.",
    );
  });

  it("that names nothing stays as it is", () => {
    expect(renderNamed(`Gateway ${SHED} is only text here.`, named)).toBe(
      `Gateway ${SHED} is only text here.`,
    );
  });
});

/** C0, DEL, C1, line and paragraph separators, and everything that turns the direction of writing. */
const steering = [
  ...Array.from({ length: 32 }, (_, code) => code),
  ...Array.from({ length: 33 }, (_, i) => 0x7f + i),
  ...[0x2028, 0x2029, 0x061c, 0x200e, 0x200f],
  ...[0x202a, 0x202b, 0x202c, 0x202d, 0x202e, 0x2066, 0x2067, 0x2068, 0x2069],
].map((code) => String.fromCharCode(code));
const holdsSteering = (text: string, except = ""): boolean =>
  steering.some((one) => !except.includes(one) && text.includes(one));
const anyText = fc
  .array(fc.oneof(fc.constantFrom(...steering), fc.string({ unit: "binary", maxLength: 4 })))
  .map((parts) => parts.join(""));

describe("plain text", () => {
  it("takes the steering characters out of a line, and keeps its words", () => {
    expect(plainLine("tower\u001b[2J\u009b31m \u202Edehs\u202C")).toBe("tower[2J31m dehs");
    expect(plainLine("two\r\nlines\tand\u2028more")).toBe("two lines and more");
    expect(plainLine("Wasserturm Süd · 貯水塔 🍎")).toBe("Wasserturm Süd · 貯水塔 🍎");
  });

  it("keeps line feeds and tabs where lines are meant", () => {
    expect(plainLines("a\n\tb\u0007\u007f\r\n")).toBe("a\n\tb\n");
  });

  it("holds no steering character, whatever came in", () => {
    holds(fc.property(anyText, (text) => !holdsSteering(plainLine(text))));
    holds(fc.property(anyText, (text) => !holdsSteering(plainLines(text), "\n\t")));
  });

  it("in JSON is escaped and reads back unchanged", () => {
    holds(
      fc.property(anyText, anyText, (key, value) => {
        const json = plainJson(JSON.stringify({ [key]: value }, null, 2));
        expect(holdsSteering(json, "\n")).toBe(false);
        expect(Object.entries(JSON.parse(json) as object)).toEqual([[key, value]]);
      }),
    );
  });
});
