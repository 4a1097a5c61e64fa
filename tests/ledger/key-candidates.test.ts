import { inspect } from "node:util";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { NodeKeysFile, readNodeKeysFile } from "../../src/ledger/keys/file.ts";
import type { NodeKeys } from "../../src/ledger/keys/identity.ts";
import { identifySender } from "../../src/ledger/keys/joins.ts";
import { hexOf } from "../../src/wire/lorawan/octets.ts";
import { frame10, keyOctets, nodeOf, twoKeys, uplink11 } from "./keyed-frames.ts";

const RUNS = { seed: 5, numRuns: 40 } as const;
const SECRET = "00112233445566778899AABBCCDDEEFF";
const DEV_EUI = "02005E1000000101";

describe("keys of an address", () => {
  it("tell two devices under one address apart, each with its own counter", () => {
    fc.assert(
      fc.property(twoKeys, fc.array(fc.boolean(), { minLength: 1, maxLength: 12 }), ([one, two], order) => {
        const nodes = [nodeOf({ nwkSKey: one }), nodeOf({ nwkSKey: two })] as const;
        const last = new Map<NodeKeys, number>([
          [nodes[0], 65_530],
          [nodes[1], 140_000],
        ]);
        for (const isSecond of order) {
          const sender = nodes[isSecond ? 1 : 0];
          const counter = (last.get(sender) ?? 0) + 3;
          const { octets, frame } = frame10(sender.keys.nwkSKey as Uint8Array, { counter });
          const found = identifySender(octets, frame, nodes, (node) => ({
            lastCounter: last.get(node) ?? null,
          }));
          expect(found).toMatchObject({ verdict: "valid", counter: { counter32: counter } });
          expect(found.verdict === "valid" && found.node).toBe(sender);
          last.set(sender, counter);
        }
      }),
      RUNS,
    );
  });

  it("call a stranger under the address a stranger", () => {
    fc.assert(
      fc.property(twoKeys, ([own, foreign]) => {
        const { octets, frame } = frame10(foreign, { counter: 12 });
        const found = identifySender(octets, frame, [nodeOf({ nwkSKey: own })], () => ({ lastCounter: 11 }));
        expect(found).toEqual({ verdict: "invalid", candidates: 1 });
      }),
      RUNS,
    );
  });

  it("leave open what they cannot check", () => {
    const key = new Uint8Array(16).fill(1);
    const { octets, frame } = frame10(key, { counter: 12 });
    const hint = () => ({ lastCounter: 11 });
    expect(identifySender(octets, frame, [], hint).verdict).toBe("unknown");
    const candidates = [nodeOf({ appSKey: key }), nodeOf({ nwkSKey: new Uint8Array(16) })];
    expect(identifySender(octets, frame, candidates, hint).verdict).toBe("unknown");
  });

  it("do not choose between two nodes that half a MIC fits, and prefer a whole proof", () => {
    const keys = { fNwkSIntKey: new Uint8Array(16).fill(2), sNwkSIntKey: new Uint8Array(16).fill(3) };
    const { octets, frame } = uplink11(keys, { counter: 12, txDr: 0, txCh: 0 });
    const half = () => nodeOf({ fNwkSIntKey: keys.fNwkSIntKey });
    const hint = () => ({ lastCounter: 11 });
    expect(identifySender(octets, frame, [half()], hint).verdict).toBe("valid");
    expect(identifySender(octets, frame, [half(), half()], hint).verdict).toBe("unknown");
    const whole = nodeOf(keys);
    expect(identifySender(octets, frame, [half(), half(), whole], hint)).toMatchObject({
      verdict: "valid",
      node: whole,
    });
  });
});

describe("a key file", () => {
  const file = (...nodes: object[]) => JSON.stringify({ nodes });

  it("gives the keys of each node", () => {
    const read = readNodeKeysFile(
      file(
        {
          devAddr: "01a2b3c4",
          nwkSKey: SECRET,
          appSKey: SECRET.toLowerCase(),
          counterBits: 16,
          note: "north row",
        },
        { devEui: "02005e1000000101", appKey: SECRET },
      ),
    );
    if (!read.ok) throw new Error(read.sentence);
    const [abp, otaa] = read.nodes;
    expect(abp).toMatchObject({ devAddr: "01A2B3C4", devEui: null, counterBits: 16 });
    expect(Object.values(abp!.keys).map(hexOf)).toEqual([SECRET, SECRET]);
    expect(otaa).toMatchObject({ devAddr: null, devEui: DEV_EUI, counterBits: null });
    expect(hexOf(otaa!.keys.appKey!)).toBe(SECRET);
  });

  it("holds exactly what it said, no more keys and no fewer, and may hold no node", () => {
    expect(readNodeKeysFile(file())).toEqual({ ok: true, nodes: [] });
    const both = { devAddr: "01A2B3C4", devEui: "02005E1000000101", nwkSKey: SECRET, appKey: SECRET };
    const octets = Uint8Array.from(Buffer.from(SECRET, "hex"));
    expect(readNodeKeysFile(file(both))).toEqual({
      ok: true,
      nodes: [
        {
          devAddr: "01A2B3C4",
          devEui: "02005E1000000101",
          counterBits: null,
          note: null,
          keys: { nwkSKey: octets, appKey: octets },
        },
      ],
    });
  });

  const short = SECRET.slice(1);
  it.each([
    ["no JSON", `{"nodes": [{"devAddr": "01A2B3C4", "nwkSKey": ${SECRET}`, "The key file is not JSON."],
    ["a list", "[]", "The key file must be an object with a list of nodes."],
    ["a lone key", JSON.stringify(SECRET), "The key file must be an object with a list of nodes."],
    ["no list", `{"nodes": "${SECRET}"}`, "The key file's nodes must be a list."],
    ["more than nodes", `{"nodes": [], "${SECRET}": 1}`, "The key file may only hold nodes."],
    [
      "a node that is a key",
      JSON.stringify({ nodes: [SECRET] }),
      "Node 1 of the key file must be an object.",
    ],
    [
      "a short key",
      file({ devAddr: "01A2B3C4", nwkSKey: short }),
      "Node 1 of the key file: its nwkSKey must be 32 hex digits.",
    ],
    [
      "a key as number",
      file({ devAddr: "01A2B3C4", nwkSKey: 11223344556677 }),
      "Node 1 of the key file: its nwkSKey must be 32 hex digits.",
    ],
    [
      "a key for an address",
      file({ devAddr: SECRET, nwkSKey: SECRET }),
      "Node 1 of the key file: its devAddr must be 8 hex digits.",
    ],
    [
      "a key for a width",
      file({ devAddr: "01A2B3C4", nwkSKey: SECRET, counterBits: SECRET }),
      "Node 1 of the key file: its counterBits must be 16 or 32.",
    ],
    [
      "no address",
      file({ devEui: DEV_EUI, nwkSKey: SECRET }),
      "Node 1 of the key file holds session keys, but no devAddr.",
    ],
    [
      "no device",
      file({ devAddr: "01A2B3C4", appKey: SECRET }),
      "Node 1 of the key file holds root keys, but no devEui.",
    ],
    ["no key", file({ devAddr: "01A2B3C4" }), "Node 1 of the key file holds no key."],
  ])("that holds %s is refused in one sentence", (_title, text, sentence) => {
    expect(readNodeKeysFile(text)).toEqual({ ok: false, sentence });
  });

  it("with a key where a name belongs is refused without naming it", () => {
    const read = readNodeKeysFile(file({ devAddr: "01A2B3C4", nwkSKey: SECRET, [SECRET]: "x" }));
    expect(read).toMatchObject({ ok: false });
    expect(JSON.stringify(read)).toContain("Node 1 of the key file may only hold nwkSKey, appSKey");
  });

  it("never shows a key in any error, wherever it stands", () => {
    const places = fc.constantFrom(
      "devAddr",
      "devEui",
      "counterBits",
      "note",
      "nwkSKey",
      "appKey",
      "nodes",
      "__proto__",
      "x",
    );
    fc.assert(
      fc.property(keyOctets, places, fc.integer({ min: 0, max: 5 }), (key, place, shape) => {
        const hex = hexOf(key);
        const text = hex.slice(shape % 2);
        const value = [text, [text], { [text]: text }, { nodes: text }, [[text]], text][shape];
        const json: unknown = JSON.parse(
          `{"nodes": [{"devAddr": "01A2B3C4", "${place}": ${JSON.stringify(value)}, "${text}": 1}], "${place}": ${JSON.stringify(value)}}`,
        );
        const parsed = NodeKeysFile.safeParse(json);
        expect(parsed.success).toBe(false);
        const shown = `${parsed.error?.message} ${JSON.stringify(parsed.error)} ${inspect(parsed.error, { depth: 20 })} ${JSON.stringify(readNodeKeysFile(JSON.stringify(json)))}`;
        expect(shown).not.toContain(text.slice(0, 31));
      }),
      { ...RUNS, numRuns: 200 },
    );
  });
});
