import { describe, expect, it } from "vitest";
import { readRelayTarget, relayTargetText } from "../../../src/intake/relay/targets.ts";

describe("an upstream as a person writes it", () => {
  it.each([
    ["ns.example:1700", { host: "ns.example", port: 1700 }],
    ["192.0.2.10:1700", { host: "192.0.2.10", port: 1700 }],
    ["[2001:db8::10]:1730", { host: "2001:db8::10", port: 1730 }],
  ])("is read and written: %s", (text, target) => {
    expect(readRelayTarget(text)).toEqual(target);
    expect(relayTargetText(target)).toBe(text);
  });

  it.each([
    "",
    "ns.example",
    "ns.example:",
    ":1700",
    "ns.example:0",
    "ns.example:65536",
    "2001:db8::10:1700",
    "[2001:db8::10]",
    "http://ns.example:1700",
    "a b:1700",
  ])("is refused when it is no host and port: '%s'", (text) => {
    expect(readRelayTarget(text)).toBeNull();
  });
});
