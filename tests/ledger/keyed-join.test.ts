import { readFileSync } from "node:fs";
import fc from "fast-check";
import { describe, expect, it, test } from "vitest";
import { verifyCounter } from "../../src/ledger/keys/identity.ts";
import { followJoin, type HeardJoin, joinWindow } from "../../src/ledger/keys/joins.ts";
import {
  deriveJoinServerKeys,
  deriveSessionKeys10,
  deriveSessionKeys11,
  deriveSessionKeys11OptNeg0,
  joinMic,
  splitMic,
} from "../../src/wire/lorawan/frame-mic.ts";
import {
  encodeJoinAcceptContent,
  joinAcceptMic,
  joinAcceptMicOptNeg,
  sealJoinAccept,
} from "../../src/wire/lorawan/join-accept.ts";
import { hexOf, octetsOfHex } from "../../src/wire/lorawan/octets.ts";
import { encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { frame10, keyOctets, nodeOf, twoKeys, uplink11 } from "./keyed-frames.ts";

const RUNS = { seed: 31, numRuns: 40 } as const;
const DEV_EUI = "02005E1000000101";
const JOIN_EUI = "02005E1000000201";
const NO_MIC = new Uint8Array(4);
const NONCE = fc.integer({ min: 0, max: 65_535 });
const DEV_ADDR = "0012AB34";

/** A join-request and its answer, as a device and its network make them. */
function joined(
  keys: { readonly request: Uint8Array; readonly nwkKey?: Uint8Array },
  devNonce: number,
  optNeg: boolean,
): HeardJoin {
  const unsigned = encodePhyPayload({
    messageType: "JoinRequest",
    direction: "up",
    joinEui: JOIN_EUI,
    devEui: DEV_EUI,
    devNonce,
    mic: NO_MIC,
    rfuBits: 0,
  });
  const request = unsigned.slice();
  request.set(joinMic(keys.request, splitMic(unsigned).message).subarray(0, 4), 19);
  const content = {
    joinNonce: "0A0B0C",
    netId: "000001",
    devAddr: DEV_ADDR,
    dlSettings: optNeg ? 0x83 : 0x03,
    rxDelay: 5,
    cfList: { type: 0, frequenciesHz: [867_100_000, 867_300_000, 867_500_000, 867_700_000, 867_900_000] },
  } as const;
  const clear = encodeJoinAcceptContent(content, NO_MIC);
  const mic =
    optNeg && keys.nwkKey !== undefined
      ? joinAcceptMicOptNeg(deriveJoinServerKeys(keys.nwkKey, DEV_EUI).jsIntKey, clear, {
          joinReqType: 0xff,
          joinEui: JOIN_EUI,
          devNonce,
        })
      : joinAcceptMic(keys.request, clear);
  const accept = sealJoinAccept(keys.request, encodeJoinAcceptContent(content, mic));
  return { request, accept };
}

const device = (keys: Parameters<typeof nodeOf>[0]) => nodeOf(keys, { devAddr: null, devEui: DEV_EUI });

describe("a join that was heard", () => {
  it("of 1.0 gives address and session keys, with which the first frame verifies", () => {
    fc.assert(
      fc.property(keyOctets, NONCE, (appKey, devNonce) => {
        const verdict = followJoin(joined({ request: appKey }, devNonce, false), device({ appKey }));
        if (verdict.verdict !== "valid") throw new Error(verdict.reason);
        const { session } = verdict;
        const keys = deriveSessionKeys10(appKey, { joinNonce: "0A0B0C", netId: "000001", devNonce });
        expect(session).toMatchObject({ devAddr: DEV_ADDR, scheme: "1.0", boundToRequest: false, keys });
        expect(session.content.rxDelaySeconds).toBe(5);
        const { octets, frame } = frame10(keys.nwkSKey, { counter: 0, devAddr: DEV_ADDR });
        const node = nodeOf(session.keys, { devAddr: session.devAddr });
        expect(verifyCounter(octets, frame, node, { lastCounter: null })).toMatchObject({
          verdict: "valid",
          counter32: 0,
        });
      }),
      RUNS,
    );
  });

  it("is followed with keys whose device is not told, and not with another device's", () => {
    const appKey = new Uint8Array(16).fill(7);
    const heard = joined({ request: appKey }, 5, false);
    const of = (devEui: string | null) => followJoin(heard, nodeOf({ appKey }, { devAddr: null, devEui }));
    expect(of(null)).toMatchObject({ verdict: "valid", session: { devEui: DEV_EUI, devNonce: 5 } });
    expect(of("02005E10000001FF")).toEqual({
      verdict: "unknown",
      reason: "the keys belong to another device",
    });
  });

  it("of 1.1 with OptNeg 1 gives four keys, and is bound to its request", () => {
    fc.assert(
      fc.property(twoKeys, NONCE, ([nwkKey, appKey], devNonce) => {
        const heard = joined({ request: nwkKey, nwkKey }, devNonce, true);
        const verdict = followJoin(heard, device({ nwkKey, appKey }));
        if (verdict.verdict !== "valid") throw new Error(verdict.reason);
        const keys = deriveSessionKeys11(
          { nwkKey, appKey },
          { joinNonce: "0A0B0C", joinEui: JOIN_EUI, devNonce },
        );
        expect(verdict.session).toMatchObject({ scheme: "1.1 OptNeg 1", boundToRequest: true, keys });
        const { octets, frame } = uplink11(keys, { counter: 0, devAddr: DEV_ADDR, txDr: 0, txCh: 1 });
        const node = nodeOf(verdict.session.keys, { devAddr: DEV_ADDR });
        expect(verifyCounter(octets, frame, node, { lastCounter: null })).toMatchObject({
          verdict: "valid",
          counter32: 0,
        });
        const other = joined({ request: nwkKey, nwkKey }, (devNonce + 1) % 65_536, true);
        expect(followJoin({ ...heard, request: other.request }, device({ nwkKey })).verdict).toBe("invalid");
      }),
      RUNS,
    );
  });

  it("of 1.1 without AppKey gives the network keys alone", () => {
    const nwkKey = new Uint8Array(16).fill(5);
    const verdict = followJoin(joined({ request: nwkKey, nwkKey }, 7, true), device({ nwkKey }));
    if (verdict.verdict !== "valid") throw new Error(verdict.reason);
    expect(Object.keys(verdict.session.keys).sort()).toEqual(["fNwkSIntKey", "nwkSEncKey", "sNwkSIntKey"]);
  });

  it("of a 1.1 device on a 1.0 network gives one network key, and AppSKey from NwkKey", () => {
    const [nwkKey, appKey] = [new Uint8Array(16).fill(5), new Uint8Array(16).fill(6)];
    const verdict = followJoin(joined({ request: nwkKey }, 7, false), device({ nwkKey, appKey }));
    if (verdict.verdict !== "valid") throw new Error(verdict.reason);
    const expected = deriveSessionKeys11OptNeg0(nwkKey, {
      joinNonce: "0A0B0C",
      netId: "000001",
      devNonce: 7,
    });
    expect(verdict.session.scheme).toBe("1.1 OptNeg 0");
    expect(verdict.session.keys).toEqual({ ...expected, nwkSKey: expected.fNwkSIntKey });
  });

  it("is invalid with another device's root key, whichever message is foreign", () => {
    fc.assert(
      fc.property(twoKeys, NONCE, ([appKey, other], devNonce) => {
        const own = joined({ request: appKey }, devNonce, false);
        const foreign = joined({ request: other }, devNonce, false);
        expect(followJoin(own, device({ appKey: other })).verdict).toBe("invalid");
        expect(followJoin({ ...own, accept: foreign.accept }, device({ appKey })).verdict).toBe("invalid");
      }),
      RUNS,
    );
  });

  it("is unknown without root keys, with another DevEUI's, or when a message is something else", () => {
    const appKey = new Uint8Array(16).fill(8);
    const heard = joined({ request: appKey }, 1, false);
    const verdicts = [
      followJoin(heard, device({ nwkSKey: appKey })),
      followJoin(heard, nodeOf({ appKey }, { devAddr: null, devEui: "02005E1000000102" })),
      followJoin({ ...heard, request: heard.accept }, device({ appKey })),
      followJoin({ ...heard, accept: heard.request }, device({ appKey })),
      followJoin({ request: new Uint8Array(0), accept: Uint8Array.of(0x20) }, device({ appKey })),
    ];
    expect(verdicts.map(({ verdict }) => verdict)).toEqual(Array(5).fill("unknown"));
    expect(JSON.stringify(verdicts)).not.toContain(hexOf(appKey));
  });

  it("is answered 5 or 6 seconds after the request, over the wrap of the counter too", () => {
    expect(joinWindow(1_000_000, 6_000_000)).toBe("rx1");
    expect(joinWindow(1_000_000, 7_000_000)).toBe("rx2");
    expect(joinWindow(4_294_000_000, 4_294_000_000 + 5_000_000 - 4_294_967_296)).toBe("rx1");
    expect(joinWindow(1_000_000, 2_000_000)).toBeNull();
  });
});

interface Vector {
  readonly id: string;
  readonly type: string;
  readonly phyPayloadHex: string;
  readonly keys?: Readonly<Record<string, string>>;
  readonly params?: Readonly<Record<string, string | number>>;
  readonly expected: { readonly devAddr?: string; readonly sessionKeys?: Readonly<Record<string, string>> };
}

// Sources: beside each entry of the file.
const { vectors } = JSON.parse(
  readFileSync(new URL("../data/published/lorawan-vectors.json", import.meta.url), "utf8"),
) as { vectors: readonly Vector[] };
// Answers to rejoin-requests are not followed.
const accepts = vectors.filter(
  ({ type, params }) => type === "JoinAccept" && (params?.joinReqType ?? 0xff) === 0xff,
);

describe("published join-accepts", () => {
  it("are there", () => expect(accepts.length).toBeGreaterThan(1));

  test.each(accepts)(
    "$id gives its address and session keys",
    ({ phyPayloadHex, keys = {}, params = {}, expected }) => {
      const roots = Object.fromEntries(
        Object.entries(keys).map(([name, hex]) => [name, octetsOfHex(hex) as Uint8Array]),
      );
      const signer = roots.nwkKey ?? roots.appKey;
      const joinEui = String(params.joinEui ?? "0".repeat(16)).toUpperCase();
      const devEui = String(params.devEui ?? DEV_EUI).toUpperCase();
      // The vectors hold the answer alone: the request is made from their parameters.
      const fields = { joinEui, devEui, devNonce: Number(params.devNonce ?? 1), mic: NO_MIC, rfuBits: 0 };
      const request = encodePhyPayload({ messageType: "JoinRequest", direction: "up", ...fields });
      request.set(joinMic(signer as Uint8Array, splitMic(request).message), 19);
      const accept = octetsOfHex(phyPayloadHex) as Uint8Array;
      const verdict = followJoin({ request, accept }, nodeOf(roots, { devAddr: null, devEui }));
      if (verdict.verdict !== "valid") throw new Error(verdict.reason);
      expect(verdict.session.devAddr.toLowerCase()).toBe(expected.devAddr);
      for (const [name, hex] of Object.entries(expected.sessionKeys ?? {})) {
        const key = verdict.session.keys[name as keyof typeof verdict.session.keys];
        expect(hexOf(key ?? new Uint8Array(0)).toLowerCase(), name).toBe(hex);
      }
    },
  );
});
