/** What does a relay learn from a server's datagrams, broken ones included? */
import { describe, expect, test } from "vitest";
import { decodeDownstream } from "../../../src/wire/forwarder/downstream.ts";
import { datagram, hex } from "./datagrams.ts";

function readResponse(body: string) {
  const decoded = decodeDownstream(Uint8Array.from([2, 0, 0, 3, ...Buffer.from(body)]));
  if (!decoded.ok || decoded.datagram.kind !== "pull-response") throw new Error(JSON.stringify(decoded));
  return {
    transmission: decoded.datagram.transmission,
    reasons: decoded.oddities.map((oddity) => oddity.reason),
  };
}

const txpk = {
  imme: false,
  tmst: 1000,
  freq: 869.525,
  rfch: 0,
  powe: 14,
  modu: "LORA",
  datr: "SF9BW125",
  codr: "4/5",
};
const asked = (changes: Record<string, unknown>) =>
  readResponse(JSON.stringify({ txpk: { ...txpk, size: 1, data: "YA==", ...changes } }));

describe("heads", () => {
  test("a datagram of a gateway is the wrong direction", () => {
    for (const identifier of [0, 2, 5]) {
      expect(decodeDownstream(datagram(identifier, ""))).toMatchObject({
        ok: false,
        fault: { reason: "direction" },
      });
    }
  });

  test("cut, unknown and foreign heads are named", () => {
    expect(decodeDownstream(hex("02 00 00"))).toMatchObject({
      ok: false,
      fault: { reason: "short", have: 3 },
    });
    expect(decodeDownstream(hex("03 00 00 01"))).toMatchObject({ ok: false, fault: { reason: "version" } });
    expect(decodeDownstream(hex("02 00 00 08"))).toMatchObject({ ok: false, fault: { reason: "ident" } });
  });

  test("an acknowledgement with octets behind it is accepted and marked", () => {
    expect(decodeDownstream(hex("02 aa bb 01 00"))).toMatchObject({
      ok: true,
      datagram: { kind: "push-ack", token: 0xaabb },
      oddities: [{ reason: "trailing", detail: "1 octets" }],
    });
  });
});

describe("packets to send", () => {
  test("imme wins over tmst, and tmst over tmms", () => {
    expect(asked({ imme: true }).transmission?.moment).toEqual({ kind: "immediate" });
    expect(asked({ tmms: 5 }).transmission?.moment).toEqual({ kind: "counter", tmstUs: 1000 });
    expect(asked({ tmst: undefined, tmms: 5 }).transmission?.moment).toEqual({ kind: "gps", gpsTimeMs: 5 });
    expect(asked({ tmst: undefined }).transmission?.moment).toEqual({ kind: "unsaid" });
  });

  test('the string "true" is no boolean, but the word immediate in tmst is understood', () => {
    expect(asked({ imme: "true" }).transmission?.moment.kind).toBe("counter");
    expect(asked({ tmst: "immediate" }).transmission?.moment.kind).toBe("immediate");
  });

  test("a frequency is cut to whole hertz, as the gateway cuts it", () => {
    expect(asked({ freq: 868.2999877929688 }).transmission?.frequencyHz).toBe(868_299_987);
    for (const hz of [868_100_000, 869_525_000, 903_900_000, 2_403_000_000]) {
      expect(asked({ freq: hz / 1e6 }).transmission?.frequencyHz).toBe(hz);
    }
  });

  test("null means absent", () => {
    expect(asked({ prea: null, powe: null })).toMatchObject({
      transmission: { preamble: null, powerDbm: null },
      reasons: [],
    });
  });

  test("a body that is empty, broken, cut or without a txpk object has no transmission", () => {
    expect(readResponse("")).toEqual({ transmission: null, reasons: ["body_empty"] });
    expect(readResponse('{"txpk":{"imme":true}')).toEqual({ transmission: null, reasons: ["json_syntax"] });
    expect(readResponse("[]")).toEqual({ transmission: null, reasons: ["json_root"] });
    for (const body of ["{}", '{"txpk":[{}]}', '{"txpk":null}', '{"rxpk":[]}']) {
      expect(readResponse(body)).toEqual({ transmission: null, reasons: ["body_unknown"] });
    }
  });
});
