import { describe, expect, test } from "vitest";
import { type FieldSpan, mapFields } from "../../../src/wire/lorawan/field-map.ts";
import { octetsOfHex } from "../../../src/wire/lorawan/octets.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;
const outline = (spans: readonly FieldSpan[]): string =>
  spans.map((span) => `${span.name} ${span.at}+${span.size}`).join(", ");

describe("the map of a packet", () => {
  test.each([
    [
      "a data frame",
      "40F17DBE4900020001954378762B11FF0D",
      "MHDR 0+1, FHDR 1+7, FPort 8+1, FRMPayload 9+4, MIC 13+4",
    ],
    ["a data frame without port", "40F17DBE490002002B11FF0D", "MHDR 0+1, FHDR 1+7, MIC 8+4"],
    [
      "a data frame with an empty payload",
      "40F17DBE49000300012A3518AF",
      "MHDR 0+1, FHDR 1+7, FPort 8+1, MIC 9+4",
    ],
    [
      "a join-request",
      "0039363463336913AA05693574323831338EF1C1D5EC6C",
      "MHDR 0+1, JoinEUI 1+8, DevEUI 9+8, DevNonce 17+2, MIC 19+4",
    ],
    ["a join-accept", "20493EEB51FBA2116F810EDB3742975142", "MHDR 0+1, Encrypted 1+16"],
    [
      "a rejoin-request of type 0",
      "C000112233112233445566778811228B658839",
      "MHDR 0+1, RejoinType 1+1, NetID 2+3, DevEUI 5+8, RJcount0 13+2, MIC 15+4",
    ],
    [
      "a rejoin-request of type 1",
      "C0010102030405060708111213141516171834128B658839",
      "MHDR 0+1, RejoinType 1+1, JoinEUI 2+8, DevEUI 10+8, RJcount1 18+2, MIC 20+4",
    ],
    ["a proprietary message", "E0008B658839", "MHDR 0+1, Payload 1+5"],
    ["a proprietary message of one octet", "E0", "MHDR 0+1"],
    [
      "FOpts that overrun",
      "80040302010FFF0401020304",
      "MHDR 0+1, DevAddr 1+4, FCtrl 5+1, FCnt 6+2, Rest 8+4",
    ],
    ["a packet of another Major", "FF0102", "MHDR 0+1, Rest 1+2"],
    ["nothing", "", ""],
  ])("%s", (_what, text, expected) => {
    expect(outline(mapFields(hex(text)))).toBe(expected);
  });

  test("goes down to the single command in FOpts", () => {
    const [, header] = mapFields(hex("4004030201030000020305D7FA0C6C"));
    expect(outline(header?.children ?? [])).toBe("DevAddr 1+4, FCtrl 5+1, FCnt 6+2, FOpts 8+3");
    const fOpts = header?.children?.at(-1);
    expect(outline(fOpts?.children ?? [])).toBe("LinkCheckReq 8+1, LinkADRAns 9+2");
    expect(fOpts?.note).toContain("assumed 1.0 clear text");
  });

  test("shows no commands in FOpts that do not read cleanly", () => {
    const [, header] = mapFields(hex("400403020102000002337D7FA0C6C0"));
    const fOpts = header?.children?.at(-1);
    expect(fOpts?.children).toBeUndefined();
    expect(fOpts?.note).toContain("encrypted");
  });

  test("names the flags of the control octet by direction", () => {
    const note = (text: string) => mapFields(hex(text))[1]?.children?.[1]?.note;
    expect(note("40F17DBE49F002002B11FF0D")).toBe("ADR, ADRACKReq, ACK, ClassB, FOptsLen 0");
    expect(note("60F17DBE49F002002B11FF0D")).toBe("ADR, RFU, ACK, FPending, FOptsLen 0");
  });

  test("names RFU bits of the header only when they are set", () => {
    expect(mapFields(hex("E4"))[0]?.note).toBe("MType 7, RFU 1, Major 0");
    expect(mapFields(hex("E0"))[0]?.note).toBe("MType 7, Major 0");
  });
});
