import * as fc from "fast-check";
import { describe, expect, it } from "vitest";
import { plainJson, plainLine, plainLines } from "../../src/model/plain-text.ts";
import { holds } from "../wire/forwarder/arbitraries.ts";

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
