/** Can any octets make the decoders throw, hang or say something unnamed? */
import * as fc from "fast-check";
import { describe, expect, test } from "vitest";
import { describeFault } from "../../../src/model/fault.ts";
import { decodeDownstream } from "../../../src/wire/forwarder/downstream.ts";
import { encodePullResponse, encodePushData, encodeTxAck } from "../../../src/wire/forwarder/encode.ts";
import { refusedReasons } from "../../../src/wire/forwarder/fields.ts";
import { answerFor, gatewayEuiOf } from "../../../src/wire/forwarder/header.ts";
import { decodeUpstream } from "../../../src/wire/forwarder/upstream.ts";
import { anyPullResponse, anyPush, anyTxAck } from "./any-json.ts";
import { holds, pushData, transmission, txAck } from "./arbitraries.ts";
import { countWork } from "./count-work.ts";
import { push, pushRaw, readPush } from "./datagrams.ts";
import { UnreadableOctets } from "./unreadable-octets.ts";

const inRange = (value: number | null, min: number, max: number): boolean =>
  value === null || (value >= min && value <= max);

/** Whatever came in: named reasons, bounded oddities, figures within their ranges, an answer exactly when the head is good. */
function expectSound(bytes: Uint8Array): void {
  const decoded = decodeUpstream(bytes);
  const answer = answerFor(bytes);
  if (!decoded.ok) {
    expect(["short", "version", "ident", "direction", "short_eui"]).toContain(decoded.fault.reason);
    expect(answer).toBeNull();
    return;
  }
  const { datagram, oddities } = decoded;
  expect(answer === null).toBe(datagram.kind === "tx-ack");
  if (answer !== null) {
    expect(answer).toHaveLength(4);
    expect(256 * (answer[1] ?? 0) + (answer[2] ?? 0)).toBe(datagram.token);
    expect(answer[0]).toBe(datagram.version);
  }
  expect(gatewayEuiOf(bytes)).toBe(datagram.gatewayEui);
  for (const oddity of oddities) {
    expect((oddity.detail ?? "").length).toBeLessThanOrEqual(80);
  }
  if (datagram.kind !== "push-data") return;
  for (const packet of datagram.packets) {
    expect(inRange(packet.tmstUs, 0, 2 ** 32 - 1)).toBe(true);
    expect(packet.payload === null || packet.payload.length <= 255).toBe(true);
    expect(packet.signals.length).toBeGreaterThan(0);
    for (const signal of packet.signals) expect(inRange(signal.rssiDbm, -160, 20)).toBe(true);
  }
}

/** A valid datagram with some octets replaced, removed, doubled or cut off. */
const mutated = fc
  .tuple(
    fc.oneof(
      pushData.map(encodePushData),
      txAck.map(encodeTxAck),
      fc
        .record({ token: fc.nat(65_535), transmission })
        .map((response) => encodePullResponse({ version: 2, ...response })),
    ),
    fc.array(fc.tuple(fc.nat(), fc.nat(255), fc.nat(3)), { minLength: 1, maxLength: 6 }),
  )
  .map(([bytes, changes]) => {
    const octets = [...bytes];
    for (const [where, octet, how] of changes) {
      const at = where % (octets.length + 1);
      if (how === 0) octets[at] = octet;
      else if (how === 1) octets.splice(at, 1);
      else if (how === 2) octets.splice(at, 0, octet);
      else octets.length = Math.max(at, 4);
    }
    return Uint8Array.from(octets);
  });

/** Octets behind a good head that look like JSON from afar. */
const jsonish = fc
  .array(
    fc.constantFrom(
      ...'{}[]:,"\\ 0123-eE.\u00ff',
      '{"rxpk":[',
      '"stat":{',
      '"tmst":',
      "nan",
      "null",
      '"rsig":[',
      "\0",
    ),
    { maxLength: 80 },
  )
  .map((parts) => push(Buffer.from(parts.join(""), "latin1")));

describe("hostile input", () => {
  test("88: random bytes never throw and are named", () => {
    holds(fc.property(fc.uint8Array({ maxLength: 2000 }), expectSound), { numRuns: 500 });
    const withHead = fc.uint8Array({ maxLength: 400 }).map((body) => push(body));
    holds(fc.property(withHead, expectSound), { numRuns: 500 });
  });

  test("88: mutated valid datagrams never throw, in either direction", () => {
    holds(
      fc.property(mutated, (bytes) => {
        expectSound(bytes);
        const decoded = decodeDownstream(bytes);
        if (!decoded.ok) expect(decoded.fault.reason).not.toBe("internal");
      }),
      { numRuns: 1000 },
    );
  });

  test("88: fragments of JSON in any order never throw", () => {
    holds(fc.property(jsonish, expectSound), { numRuns: 1000 });
  });

  test("any JSON value for any key is read or named, never met by an error of ours", () => {
    const numRuns = 2_000;
    holds(fc.property(anyPush, expectSound), { numRuns });
    holds(fc.property(anyTxAck, expectSound), { numRuns });
    holds(
      fc.property(anyPullResponse, (bytes) => {
        const decoded = decodeDownstream(bytes);
        if (!decoded.ok) throw new Error(describeFault(decoded.fault));
      }),
      { numRuns },
    );
  });

  test.each(["time", "datr", "freq", "stat", "tmst", "data", "modu", "codr", "rsig"])(
    "an object with a toString of its own as %s of a packet is no value",
    (field) => {
      for (const inner of ['{"toString":0}', '{"valueOf":0,"toString":0}', '[{"toString":0}]'])
        expect(readPush(pushRaw(field, inner)).packets).toHaveLength(1);
    },
  );

  test("an error while reading a body is a fault of that datagram: internal", () => {
    const bytes = new UnreadableOctets(push('{"rxpk":[]}'));
    expect(decodeUpstream(bytes)).toEqual({
      ok: false,
      fault: { reason: "internal", layer: "datagram", at: 0, detail: "unreadable octets" },
    });
    const response = new UnreadableOctets(Uint8Array.of(2, 0, 0, 3, 0x7b, 0x7d));
    expect(decodeDownstream(response)).toMatchObject({ ok: false, fault: { reason: "internal" } });
  });

  test.each([
    ["empty elements", `{"rxpk":[${"{},".repeat(21_000)}{}]}`],
    ["escaped quotes without an end", `{"a":"${'\\"'.repeat(32_000)}`],
    ["words that are no numbers", `{"a":[${"nan,".repeat(16_000)}`],
    ["zeros in front of nothing", `{"tmst":${"0".repeat(65_000)}`],
    ["white space", `{"stat":{${" ".repeat(65_000)}x`],
    ["keys without values", `{${'"tmst"      '.repeat(5400)}`],
    ["colons and white space", `{"a":${":          ".repeat(5900)}nan`],
  ])("65 kB of %s are gone through a few times, not once for each character", (_, body) => {
    const { result: decoded, work } = countWork(() => decodeUpstream(push(body)));
    // Measured, mended of not-a-number, measured again; parsed whole, and once after each of four repairs.
    expect(work.characters).toBeLessThanOrEqual(3 * body.length);
    expect(work.parses).toBeLessThanOrEqual(5);
    expect(decoded.ok && decoded.oddities.length).toBeLessThanOrEqual(6001);
  });
});

describe("the reasons", () => {
  test("those that mean that something was not used are told from those that are merely odd", () => {
    for (const reason of [
      "short",
      "json_syntax",
      "json_root",
      "json_depth",
      "base64",
      "data_long",
      "big",
      "rxpk_many",
    ]) {
      expect(refusedReasons.has(reason)).toBe(true);
    }
    for (const reason of [
      "trailing",
      "json_repaired",
      "range",
      "freq",
      "size_mismatch",
      "crc_bad",
      "v1_txack",
    ]) {
      expect(refusedReasons.has(reason)).toBe(false);
    }
  });

  test("heads too short for an EUI have none", () => {
    expect(gatewayEuiOf(new Uint8Array(11))).toBeNull();
    expect(gatewayEuiOf(new Uint8Array(12))).toBe("0000000000000000");
  });
});
