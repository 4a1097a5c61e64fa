import { describe, expect, test } from "vitest";
import { hexOf, octetsOfHex } from "../../../src/wire/lorawan/octets.ts";
import { decodePhyPayload, encodePhyPayload } from "../../../src/wire/lorawan/phy-payload.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;

function messageIn(text: string) {
  const decoded = decodePhyPayload(hex(text));
  if (!decoded.ok) throw new Error(decoded.fault.reason);
  return decoded.value;
}

describe("a data frame", () => {
  test("shows address, counter, port and ciphertext without any key", () => {
    const frame = messageIn("40 F17DBE49 00 0200 01 95437876 2B11FF0D");
    expect(frame).toMatchObject({
      messageType: "UnconfirmedDataUp",
      direction: "up",
      devAddr: "49BE7DF1",
      fCnt: 2,
      fPort: 1,
      rfuBits: 0,
      fCtrl: { adr: false, adrAckReq: false, ack: false, classB: false, fOptsLength: 0, raw: 0 },
    });
    expect("frmPayload" in frame && hexOf(frame.frmPayload)).toBe("95437876");
    expect("mic" in frame && hexOf(frame.mic)).toBe("2B11FF0D");
  });

  test("with a port and nothing behind it is not a frame without a port", () => {
    expect(messageIn("40 F17DBE49 00 0300 01 2A3518AF")).toMatchObject({
      fPort: 1,
      frmPayload: new Uint8Array(0),
    });
    expect(messageIn("40 F17DBE49 00 0300 2A3518AF")).toMatchObject({
      fPort: null,
      frmPayload: new Uint8Array(0),
    });
  });

  test("reads bit 4 of its control octet by direction", () => {
    expect(messageIn("40 F17DBE49 10 0300 2A3518AF")).toMatchObject({ fCtrl: { classB: true } });
    expect(messageIn("60 F17DBE49 10 0300 2A3518AF")).toMatchObject({ fCtrl: { fPending: true } });
    expect(messageIn("60 F17DBE49 40 0300 2A3518AF")).toMatchObject({
      fCtrl: { adr: false, ack: false, raw: 0x40 },
    });
  });

  test("keeps RFU bits of its header in view instead of rejecting them", () => {
    expect(messageIn("54 F17DBE49 00 0300 2A3518AF")).toMatchObject({
      messageType: "UnconfirmedDataUp",
      rfuBits: 5,
    });
  });

  test("hands out views of the packet, not copies", () => {
    const bytes = hex("40 F17DBE49 00 0200 01 95437876 2B11FF0D");
    const decoded = decodePhyPayload(bytes);
    expect(decoded.ok && "frmPayload" in decoded.value && decoded.value.frmPayload.buffer).toBe(bytes.buffer);
  });
});

describe("a rejoin-request", () => {
  test("of type 1 carries JoinEUI and counts in octets 18 and 19", () => {
    expect(messageIn("C0 01 0102030405060708 1112131415161718 3412 8B658839")).toMatchObject({
      messageType: "RejoinRequest",
      rejoinType: 1,
      joinEui: "0807060504030201",
      devEui: "1817161514131211",
      netId: null,
      rjCount: 0x1234,
    });
  });
  test("of type 2 carries NetID and no JoinEUI", () => {
    expect(messageIn("C0 02 030201 0807060504030201 DB00 3C8642AE")).toMatchObject({
      rejoinType: 2,
      netId: "010203",
      joinEui: null,
      devEui: "0102030405060708",
      rjCount: 219,
    });
  });
});

test("a join-accept shows its length and nothing else", () => {
  const value = messageIn("20493EEB51FBA2116F810EDB3742975142");
  expect(Object.keys(value).sort()).toEqual(["direction", "encrypted", "messageType", "rfuBits"]);
  expect("encrypted" in value && value.encrypted.length).toBe(16);
});

test("a proprietary message may be as short as its header, and has no MIC", () => {
  expect(messageIn("E0")).toEqual({
    messageType: "Proprietary",
    direction: "unknown",
    payload: new Uint8Array(0),
    rfuBits: 0,
  });
});

test("whatever was read is written as it was: joins, rejoins, a join-accept, a proprietary message", () => {
  for (const text of [
    "00 0102030405060708 1112131415161718 3412 8B658839",
    "C0 00 030201 0807060504030201 DB00 3C8642AE",
    "C0 01 0102030405060708 1112131415161718 3412 8B658839",
    "C0 02 030201 0807060504030201 DB00 3C8642AE",
    "20 493EEB51FBA2116F810EDB3742975142",
    "E0 0A0B0C",
  ])
    expect(hexOf(encodePhyPayload(messageIn(text)))).toBe(text.replaceAll(" ", ""));
});

describe("a malformed packet is named by the first rule that it breaks", () => {
  const longFrame = `40F17DBE49000200${"01".repeat(244)}2B11FF0D`;
  test.each([
    ["nothing at all", "", "empty", 0],
    ["another Major version", "41F17DBE4900030001", "unsupportedMajor", 0],
    ["Major goes before length", "03", "unsupportedMajor", 0],
    ["a join-request one octet short", `00${"11".repeat(21)}`, "wrongLength", 22],
    ["a join-request one octet long", `00${"11".repeat(23)}`, "wrongLength", 23],
    ["a join-accept of 18 octets", `20${"11".repeat(17)}`, "wrongLength", 18],
    ["a join-accept of 34 octets", `20${"11".repeat(33)}`, "wrongLength", 33],
    ["a rejoin-request of type 0 with the length of type 1", `C000${"11".repeat(22)}`, "wrongLength", 19],
    ["a rejoin-request of type 1 with the length of type 0", `C001${"11".repeat(17)}`, "wrongLength", 19],
    ["a rejoin-request that is only a header", "C0", "wrongLength", 1],
    ["a rejoin-request of type 3", `C003${"11".repeat(17)}`, "unknownRejoinType", 1],
    ["a data frame of eleven octets", "4040404040404040404040", "tooShort", 11],
    ["FOpts that run into the MIC", "80040302010FFF0401020304", "fOptsOverrun", 8],
    ["FOpts one octet too long", "4004030201 04 0000 020305 D7FA0C6C", "fOptsOverrun", 8],
    ["commands in FOpts and on FPort 0", "40040302010101000200561AF28164", "fOptsWithFPort0", 9],
    ["more than any data rate can carry", longFrame, "macPayloadTooLong", 255],
  ])("%s", (_what, text, reason, at) => {
    expect(decodePhyPayload(hex(text))).toMatchObject({ ok: false, fault: { reason, at, layer: "lorawan" } });
  });

  test("the largest legal frame is none of these", () => {
    expect(decodePhyPayload(hex(longFrame).subarray(0, 255)).ok).toBe(true);
  });
});
