/** Which datagrams are refused, answered, or read as a transmit outcome? Rows 1 to 22 of the checklist of broken input. */
import { describe, expect, test } from "vitest";
import { describeFault } from "../../../src/model/fault.ts";
import { answerFor } from "../../../src/wire/forwarder/header.ts";
import { decodeUpstream } from "../../../src/wire/forwarder/upstream.ts";
import { datagram, gatewayEui, hex, push, readPush, readTxAck, refusal } from "./datagrams.ts";

const accepted = { result: "accepted", word: null, powerDbm: null };

/** Refused for that reason, and never answered. */
function expectDropped(bytes: Uint8Array, reason: string): void {
  expect(refusal(bytes)).toBe(reason);
  expect(answerFor(bytes)).toBeNull();
}

describe("heads that are refused", () => {
  test("1: a zero-length datagram is short", () => {
    expectDropped(new Uint8Array(0), "short");
  });

  test("2: 1 to 3 bytes are short", () => {
    for (const text of ["02", "02 3c", "02 3c 9e"]) expectDropped(hex(text), "short");
  });

  test("3: 4 bytes 02 xx xx 00, PUSH_DATA without EUI, are short_eui", () => {
    expectDropped(hex("02 3c 9e 00"), "short_eui");
    const decoded = decodeUpstream(hex("02 3c 9e 00"));
    expect(!decoded.ok && describeFault(decoded.fault)).toBe(
      "datagram: 12 octets needed at octet 0, 4 there (short_eui)",
    );
  });

  test("4: 11 bytes, PULL_DATA cut by one, are short_eui", () => {
    expectDropped(hex("02 b4 d7 02 02 00 5e 10 00 00 00"), "short_eui");
  });

  test("6: version 0 is refused", () => {
    expectDropped(datagram(0, "{}", 0), "version");
  });

  test("7: version 3 or 255 is refused and never answered in an unknown version", () => {
    for (const version of [3, 255]) {
      expectDropped(datagram(0, "{}", version), "version");
      expectDropped(datagram(2, "", version), "version");
    }
  });

  test("10: identifier 6, 7, 255 is refused", () => {
    for (const identifier of [6, 7, 255]) expectDropped(datagram(identifier, "{}"), "ident");
  });

  test("11: an upstream PUSH_ACK of 4 bytes is the wrong direction", () => {
    expectDropped(hex("02 3c 9e 01"), "direction");
  });

  test("12: an upstream PULL_ACK 01 00 00 04 is the wrong direction", () => {
    expectDropped(hex("01 00 00 04"), "direction");
  });

  test("13: an upstream PULL_RESP with txpk is never treated as traffic", () => {
    expectDropped(new Uint8Array(Buffer.from('\u0002\u0005\u0006\u0003{"txpk":{"imme":true}}')), "direction");
  });

  test("the tests run in the order length, version, identifier, direction, EUI length", () => {
    expect(refusal(hex("09 00"))).toBe("short");
    expect(refusal(hex("09 00 00 09"))).toBe("version");
    expect(refusal(hex("02 00 00 09"))).toBe("ident");
    expect(refusal(hex("02 00 00 03"))).toBe("direction");
    expect(refusal(hex("02 00 00 05"))).toBe("short_eui");
  });
});

describe("heads that are accepted", () => {
  test("5: 12 bytes, PUSH_DATA with no body, are accepted without a body", () => {
    const { packets, status, reasons, datagram: read } = readPush(push(""));
    expect(read.gatewayEui).toBe(gatewayEui);
    expect(packets).toEqual([]);
    expect(status).toBeNull();
    expect(reasons).toEqual(["body_empty*"]);
    expect(answerFor(push(""))).toEqual(hex("02 3c 9e 01"));
  });

  test("8: version 1, PUSH_DATA and PULL_DATA, are accepted and answered in version 1", () => {
    const pushed = decodeUpstream(datagram(0, '{"rxpk":[]}', 1));
    const pulled = decodeUpstream(datagram(2, "", 1));
    expect(pushed.ok && pushed.datagram.version).toBe(1);
    expect(pulled).toEqual({
      ok: true,
      datagram: { kind: "pull-data", version: 1, token: 0x3c9e, gatewayEui },
      oddities: [],
    });
    expect(answerFor(datagram(0, "{}", 1))).toEqual(hex("01 3c 9e 01"));
    expect(answerFor(datagram(2, "", 1))).toEqual(hex("01 3c 9e 04"));
  });

  test("14: PULL_DATA with 1 NUL or more bytes after byte 11 is accepted", () => {
    for (const rest of ["\0", "\0\0\0", "hello"]) {
      const decoded = decodeUpstream(datagram(2, rest));
      expect(decoded.ok && decoded.datagram.kind).toBe("pull-data");
      expect(decoded.ok && decoded.oddities).toMatchObject([
        { reason: "trailing", keepRaw: true, detail: `${rest.length} octets` },
      ]);
      expect(answerFor(datagram(2, rest))).toEqual(hex("02 3c 9e 04"));
    }
  });

  test("15: a body of one NUL after the EUI in PUSH_DATA is an empty body", () => {
    const { packets, reasons } = readPush(push("\0"));
    expect(packets).toEqual([]);
    expect(reasons).toContain("body_empty*");
    expect(answerFor(push("\0"))).not.toBeNull();
  });
});

describe("what a TX_ACK says", () => {
  test("9: version 1, TX_ACK, is accepted as an oddity", () => {
    expect(readTxAck("", 1)).toEqual({ outcome: accepted, reasons: ["v1_txack*"] });
  });

  test("16: TX_ACK of 12 bytes is success and gets no answer", () => {
    expect(readTxAck("")).toEqual({ outcome: accepted, reasons: [] });
    expect(answerFor(datagram(5, ""))).toBeNull();
  });

  test("17: TX_ACK of 13 bytes, last 00, is success", () => {
    expect(readTxAck("\0")).toEqual({ outcome: accepted, reasons: ["trailing"] });
  });

  test("18: TX_ACK with an empty txpk_ack, error empty, or NONE is success", () => {
    for (const body of ['{"txpk_ack":{}}', '{"txpk_ack":{"error":""}}', '{"txpk_ack":{"error":"NONE"}}']) {
      expect(readTxAck(body)).toEqual({ outcome: accepted, reasons: [] });
    }
  });

  test("19: TX_ACK with an unknown error word or free text is refused, its text kept to 64 characters", () => {
    const text = "no transmitter on this board, please look at the manual, page one hundred";
    expect(readTxAck(JSON.stringify({ txpk_ack: { error: text } }))).toEqual({
      outcome: { result: "refused", word: text.slice(0, 64), powerDbm: null },
      reasons: ["txack_unknown*"],
    });
  });

  test("an error that is no text leaves the outcome unknown, and the datagram is kept as a sample", () => {
    expect(readTxAck('{"txpk_ack":{"error":5}}')).toEqual({
      outcome: { result: "unreadable", word: null, powerDbm: null },
      reasons: ["txack_unknown*"],
    });
  });

  test.each([
    "TOO_LATE",
    "TOO_EARLY",
    "COLLISION_PACKET",
    "COLLISION_BEACON",
    "TX_FREQ",
    "TX_POWER",
    "GPS_UNLOCKED",
  ])("TX_ACK with the error %s is a plain refusal", (word) => {
    const { outcome, reasons } = readTxAck(`{"txpk_ack":{"error":"${word}"}}`);
    expect(outcome).toEqual({ result: "refused", word, powerDbm: null });
    expect(reasons).toEqual([]);
  });

  test("a lower power is accepted, and the power may be a number or its text", () => {
    const expected = { result: "accepted-lower-power", word: "TX_POWER", powerDbm: 12 };
    expect(readTxAck('{"txpk_ack":{"warn":"TX_POWER","value":12}}').outcome).toEqual(expected);
    expect(readTxAck('{"txpk_ack":{"warn":"TX_POWER","value":"12"}}')).toEqual({
      outcome: expected,
      reasons: ["num_string"],
    });
  });

  test("another warning, or one that is no text, is accepted as it stands and marked", () => {
    const outcome = { result: "accepted", word: null, powerDbm: 12 };
    for (const warn of ['"TX_FREQ"', "5", "[]"])
      expect(readTxAck(`{"txpk_ack":{"warn":${warn},"value":12}}`)).toEqual({
        outcome,
        reasons: ["txack_unknown*"],
      });
  });

  test("an error wins over a warning", () => {
    const { outcome } = readTxAck('{"txpk_ack":{"warn":"TX_POWER","value":12,"error":"TX_FREQ"}}');
    expect(outcome).toMatchObject({ result: "refused", word: "TX_FREQ" });
  });

  test("20: TX_ACK with broken JSON is an unknown outcome, not success", () => {
    for (const body of ['{"txpk_ack":{"error":', '{"txpk_ack":{"error":"NONE"}', "TOO_LATE"]) {
      const { outcome, reasons } = readTxAck(body);
      expect(outcome.result).toBe("unreadable");
      expect(reasons).toEqual(["json_syntax*"]);
    }
  });

  test("a TX_ACK that holds no txpk_ack object, or an error that is no text, is an unknown outcome", () => {
    for (const body of ["{}", '{"txpk_ack":null}', '{"txpk_ack":[]}', '{"txpk_ack":{"error":5}}']) {
      const { outcome, reasons } = readTxAck(body);
      expect(outcome.result).toBe("unreadable");
      expect(reasons).toHaveLength(1);
    }
  });
});
