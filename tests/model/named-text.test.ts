import { describe, expect, it } from "vitest";
import { type NameOf, renderNamed } from "../../src/model/named-text.ts";

const SHED = "02005E1000000001";
const NODE = "01A2B3C4";
const named: NameOf = (kind) => (kind === "gateway" ? 'Shed $& "north"' : "Frost probe");
const nameless: NameOf = () => null;

describe("a sentence stored with identifiers", () => {
  it("bears the names that hold when it is read, whatever signs are in them", () => {
    const text = ["All that ", { gateway: SHED }, " hears fell."];
    expect(renderNamed(text, named)).toBe('All that Shed $& "north" hears fell.');
    expect(renderNamed(["It goes on as ", { node: NODE }, "."], named)).toBe(
      "It goes on as Frost probe (01A2B3C4).",
    );
  });

  it("without a name shows the identifier, with a capital letter where it begins", () => {
    expect(renderNamed([{ gateway: SHED }, " heard nothing."], nameless)).toBe(
      "Gateway 02005E1000000001 heard nothing.",
    );
    expect(renderNamed(["All that ", { gateway: SHED }, " hears fell."], nameless)).toBe(
      "All that gateway 02005E1000000001 hears fell.",
    );
    expect(renderNamed(["It goes on as ", { node: NODE }, "."], nameless)).toBe("It goes on as 01A2B3C4.");
  });

  it("that names nothing stays as it is", () => {
    expect(renderNamed(`Gateway ${SHED} is only text here.`, named)).toBe(
      `Gateway ${SHED} is only text here.`,
    );
  });
});
