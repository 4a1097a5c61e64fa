/** What does a person read of a packet? Whole texts, each figure worked out from the octets above it. */
import { describe, expect, test } from "vitest";
import { describeAnswer } from "../../../src/wire/lorawan/decode-answer.ts";
import { explainPayload } from "../../../src/wire/lorawan/explain-payload.ts";
import {
  type CfList,
  encodeJoinAcceptContent,
  joinAcceptMic,
  sealJoinAccept,
} from "../../../src/wire/lorawan/join-accept.ts";
import type { LorawanKeys } from "../../../src/wire/lorawan/lorawan-keys.ts";
import { octetsOfHex } from "../../../src/wire/lorawan/octets.ts";

const textOf = (bytes: Uint8Array, keys: LorawanKeys = {}) =>
  describeAnswer(explainPayload({ bytes, keys, facts: {} })).split("\n");
const ofHex = (hex: string) => textOf(octetsOfHex(hex.replaceAll(" ", "")) as Uint8Array);

describe("without keys", () => {
  // DevAddr 49BE7DF1 is 0 100100 1 1011…: prefix 0 (NetID type 0), then the six bits of NwkID: 0x24.
  test("a data frame: every octet once, what is encrypted is named", () => {
    expect(ofHex("40 F17DBE49 00 0200 01 7F 2B11FF0D")).toEqual([
      "UnconfirmedDataUp, 14 octets",
      "  0 +1     MHDR                   UnconfirmedDataUp (MType 2, Major 0)",
      "  1 +7     FHDR                   49BE7DF1",
      "  1 +4       DevAddr              49BE7DF1 (NetID 000024)",
      "  5 +1       FCtrl                00 (FOptsLen 0)",
      "  6 +2       FCnt                 2 (low 16 bits)",
      "  8 +1     FPort                  1 (application)",
      "  9 +1     FRMPayload             7F (encrypted)",
      " 10 +4     MIC                    2B11FF0D",
      "Encrypted, and not guessed: FRMPayload",
    ]);
  });

  test("a malformed frame: address, control and counter, then where it breaks", () => {
    expect(ofHex("80 04030201 0F FF04 01020304")).toEqual([
      "ConfirmedDataUp, 12 octets",
      "  0 +1     MHDR                   ConfirmedDataUp (MType 4, Major 0)",
      "  1 +4     DevAddr                01020304 (private)",
      "  5 +1     FCtrl                  0F (FOptsLen 15)",
      "  6 +2     FCnt                   1279 (low 16 bits)",
      "  8 +4     Rest                   01020304 (lorawan: 15 octets needed at octet 8, 0 there (fOptsOverrun))",
      "",
      "Malformed: lorawan: 15 octets needed at octet 8, 0 there (fOptsOverrun)",
    ]);
  });

  test("a join-request: identifiers and nonce turned round", () => {
    expect(ofHex("00 0102030405060708 1112131415161718 3412 AABBCCDD")).toEqual([
      "JoinRequest, 23 octets",
      "  0 +1     MHDR                   JoinRequest (MType 0, Major 0)",
      "  1 +8     JoinEUI                0807060504030201 (AppEUI before 1.1)",
      "  9 +8     DevEUI                 1817161514131211",
      " 17 +2     DevNonce               4660",
      " 19 +4     MIC                    AABBCCDD",
    ]);
  });

  test("a rejoin-request of type 0", () => {
    expect(ofHex("C0 00 010000 1112131415161718 0500 AABBCCDD")).toEqual([
      "RejoinRequest, 19 octets",
      "  0 +1     MHDR                   RejoinRequest (MType 6, Major 0)",
      "  1 +1     RejoinType             0",
      "  2 +3     NetID                  000001",
      "  5 +8     DevEUI                 1817161514131211",
      " 13 +2     RJcount0               5",
      " 15 +4     MIC                    AABBCCDD",
    ]);
  });

  // The example of LoRaWAN 1.1, section 15.2 (figure 61).
  test("a class B beacon, its parts without a remark left bare", () => {
    expect(ofHex("00 00 000002CC A27E 00012000008103 DE55")).toEqual([
      "ClassBBeacon, 17 octets",
      "  0 +1     RFU                    00",
      "  1 +1     Param                  00 (time accurate to 0.000001 s)",
      "  2 +4     Time                   000002CC (GPS second 3422683136, 2088-06-21T09:18:38.000Z)",
      "  6 +2     CRC                    A27E (right)",
      "  8 +7     GwSpecific             00012000008103 (antenna 0 at 0.0879°, 4.9274°)",
      " 15 +2     CRC                    DE55 (right)",
    ]);
  });

  test("a proprietary packet: nothing beyond its header", () => {
    expect(ofHex("E0 112233")).toEqual([
      "Proprietary, 4 octets",
      "  0 +1     MHDR                   Proprietary (MType 7, Major 0)",
      "  1 +3     Payload                112233 (proprietary: no layout is defined)",
      "Note: proprietary: nothing beyond MHDR is defined",
    ]);
  });

  test("each flag of the control octet alone", () => {
    const controlOf = (fCtrl: string) =>
      ofHex(`40 F17DBE49 ${fCtrl} 0200 01 7F 2B11FF0D`)[4]?.replace(/^.*FCtrl +/, "");
    expect(controlOf("80")).toBe("80 (ADR, FOptsLen 0)");
    expect(controlOf("40")).toBe("40 (ADRACKReq, FOptsLen 0)");
    expect(controlOf("20")).toBe("20 (ACK, FOptsLen 0)");
    expect(controlOf("10")).toBe("10 (ClassB, FOptsLen 0)");
  });
});

describe("a join-accept with its key", () => {
  const appKey = new Uint8Array(16).fill(8);

  function acceptWith(cfList: CfList | null, dlSettings: number, rxDelay: number): string[] {
    const content = {
      joinNonce: "000102",
      netId: "000001",
      devAddr: "01A2B3C4",
      dlSettings,
      rxDelay,
      cfList,
    };
    const mic = joinAcceptMic(appKey, encodeJoinAcceptContent(content, new Uint8Array(4)));
    const lines = textOf(sealJoinAccept(appKey, encodeJoinAcceptContent(content, mic)), { appKey });
    return lines.slice(5);
  }

  // DLSettings 0x23: RX1DROffset 2 in bits 6 to 4, RX2DataRate 3 in bits 3 to 0; OptNeg is bit 7.
  test("the channels of CFList type 0 in MHz, a channel of 0 Hz as unused", () => {
    const frequenciesHz = [867_100_000, 867_300_000, 0, 867_700_000, 867_900_000];
    expect(acceptWith({ type: 0, frequenciesHz }, 0x23, 5)).toEqual([
      "  JoinNonce 000102, NetID 000001, DevAddr 01A2B3C4 (private)",
      "  RX1 offset 2, RX2 data rate 3, RX1 after 5 s, OptNeg 0",
      "  CFList: 867.1 MHz, 867.3 MHz, unused, 867.7 MHz, 867.9 MHz",
      "",
      "MIC valid",
    ]);
  });

  test("the masks of CFList type 1 as they stand, four hex digits each", () => {
    const channelMasks = [0xff00, 0, 0, 0, 0x0002];
    expect(acceptWith({ type: 1, channelMasks }, 0x70, 15)).toEqual([
      "  JoinNonce 000102, NetID 000001, DevAddr 01A2B3C4 (private)",
      "  RX1 offset 7, RX2 data rate 0, RX1 after 15 s, OptNeg 0",
      "  CFList: channel masks FF00 0000 0000 0000 0002",
      "",
      "MIC valid",
    ]);
  });

  // LoRaWAN 1.1, section 6.2.3: a delay of 0 means 1 s.
  test("no CFList, and a delay of 0 is 1 s", () => {
    expect(acceptWith(null, 0, 0)).toEqual([
      "  JoinNonce 000102, NetID 000001, DevAddr 01A2B3C4 (private)",
      "  RX1 offset 0, RX2 data rate 0, RX1 after 1 s, OptNeg 0",
      "",
      "MIC valid",
    ]);
  });
});
