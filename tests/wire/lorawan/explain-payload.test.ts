import { describe, expect, test } from "vitest";
import { describeAnswer } from "../../../src/wire/lorawan/decode-answer.ts";
import { explainPayload } from "../../../src/wire/lorawan/explain-payload.ts";
import {
  cryptFOpts,
  cryptFrmPayload,
  dataMic10,
  deriveJoinServerKeys,
  downlinkMic11,
  joinMic,
} from "../../../src/wire/lorawan/frame-mic.ts";
import {
  encodeJoinAcceptContent,
  joinAcceptMicOptNeg,
  sealJoinAccept,
} from "../../../src/wire/lorawan/join-accept.ts";
import type { FrameFacts, LorawanKeys } from "../../../src/wire/lorawan/lorawan-keys.ts";
import { hexOf, joinOctets, octetsOfHex } from "../../../src/wire/lorawan/octets.ts";
import {
  type DataFrameDown,
  type DataFrameUp,
  encodePhyPayload,
} from "../../../src/wire/lorawan/phy-payload.ts";
import { encodeForwardedUplink, uplinkMic11 } from "./encoders.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;
const key = (octet: number): Uint8Array => new Uint8Array(16).fill(octet);
const explain = (bytes: Uint8Array, keys: LorawanKeys = {}, facts: FrameFacts = {}) =>
  explainPayload({ bytes, keys, facts });

const [nwkSKey, appSKey] = [key(1), key(2)];
const keys11 = { fNwkSIntKey: key(3), sNwkSIntKey: key(4), nwkSEncKey: key(5), appSKey: key(6) };
const devAddr = "01A2B3C4";

interface Wanted {
  readonly fCnt32: number;
  readonly clear?: string;
  readonly fPort?: number | null;
  readonly fOpts?: Uint8Array;
  readonly ack?: boolean;
}

function uplink(
  { fCnt32, fPort = 5, fOpts = new Uint8Array(0), ack = false }: Wanted,
  frmPayload: Uint8Array,
) {
  const frame: DataFrameUp = {
    messageType: "UnconfirmedDataUp",
    direction: "up",
    devAddr,
    fCtrl: { adr: true, adrAckReq: false, ack, classB: false, fOptsLength: fOpts.length, raw: 0 },
    fCnt: fCnt32 % 65536,
    fOpts,
    fPort,
    frmPayload,
    mic: new Uint8Array(4),
    rfuBits: 0,
  };
  return encodePhyPayload(frame).subarray(0, -4);
}

const identity = (fCnt32: number) => ({ direction: "up" as const, devAddr, fCnt32 });

function uplink10(wanted: Wanted, encryptionKey = appSKey): Uint8Array {
  const message = uplink(
    wanted,
    cryptFrmPayload(encryptionKey, hex(wanted.clear ?? ""), identity(wanted.fCnt32)),
  );
  return joinOctets(message, dataMic10(nwkSKey, message, identity(wanted.fCnt32)));
}

function uplink11(wanted: Wanted, inputs = { confFCnt: 0, txDr: 5, txCh: 2 }): Uint8Array {
  const frmPayload = cryptFrmPayload(keys11.appSKey, hex(wanted.clear ?? ""), identity(wanted.fCnt32));
  const message = uplink(wanted, frmPayload);
  return joinOctets(message, uplinkMic11(keys11, message, identity(wanted.fCnt32), inputs));
}

describe("without keys", () => {
  test("what is encrypted is said to be, and no verdict on the MIC is given", () => {
    const answer = explain(uplink10({ fCnt32: 7, clear: "CAFE" }));
    expect(answer).toMatchObject({
      devAddr,
      fCnt: 7,
      fPort: 5,
      network: "private",
      encrypted: ["FRMPayload"],
    });
    expect(answer).not.toHaveProperty("micValid");
    expect(answer).not.toHaveProperty("decryptedHex");
    expect(answer).not.toHaveProperty("fOptsHex");
    expect(answer.fCtrl).toEqual({ adr: true, adrAckReq: false, ack: false, classB: false, fOptsLen: 0 });
  });

  test("commands in FOpts are marked as assumed", () => {
    const answer = explain(uplink10({ fCnt32: 7, fPort: null, fOpts: hex("020305") }));
    expect(answer.macCommandsAre).toBe("assumed 1.0 clear text");
    expect(answer.macCommands).toMatchObject([
      { cid: "0x02", name: "LinkCheckReq" },
      { cid: "0x03", name: "LinkADRAns", powerAck: true, dataRateAck: false, channelMaskAck: true },
    ]);
    expect(answer.fOptsHex).toBe("020305");
    // Nothing was decrypted, and nothing is left unread.
    for (const member of ["fOptsDecryptedHex", "macCommandsUnparsedHex", "macCommandsStop", "micChecked"])
      expect(answer).not.toHaveProperty(member);
  });

  test("FOpts that do not read cleanly are ciphertext, not commands", () => {
    const answer = explain(uplink10({ fCnt32: 7, fPort: null, fOpts: hex("0233") }));
    expect(answer).toMatchObject({ macCommands: [], macCommandsAre: "encrypted", encrypted: ["FOpts"] });
    for (const member of ["fOptsDecryptedHex", "macCommandsUnparsedHex", "macCommandsStop"])
      expect(answer).not.toHaveProperty(member);
  });

  test("FPort 0 holds commands that nobody can read", () => {
    expect(explain(uplink10({ fCnt32: 7, fPort: 0, clear: "02" }, nwkSKey))).toMatchObject({
      macCommands: [],
      encrypted: ["FRMPayload"],
    });
  });
});

describe("with the keys of 1.0", () => {
  test("the payload is decrypted and the MIC is proved", () => {
    const answer = explain(uplink10({ fCnt32: 7, clear: "68656C6C6F" }), { nwkSKey, appSKey });
    expect(answer).toMatchObject({
      micValid: true,
      micChecked: "whole",
      lorawanVersion: "1.0",
      decryptedHex: "68656C6C6F",
      decryptedText: "hello",
      fCnt32: 7,
    });
  });

  test("a decrypted payload is shown as text where every octet is a printable one of ASCII", () => {
    const shown = (clear: string) => {
      const answer = explain(uplink10({ fCnt32: 7, clear }), { nwkSKey, appSKey });
      const line = describeAnswer(answer)
        .split("\n")
        .find((one) => one.startsWith("Decrypted"));
      return [answer.decryptedText ?? null, line];
    };
    expect(shown("207E")).toEqual([" ~", 'Decrypted: 207E  " ~"']);
    expect(shown("411F")).toEqual([null, "Decrypted: 411F"]);
    expect(shown("417F")).toEqual([null, "Decrypted: 417F"]);
    expect(shown("")).toEqual([null, "Decrypted: (empty)"]);
  });

  test("a MIC of 1.0 settles that FOpts are clear text", () => {
    const answer = explain(uplink10({ fCnt32: 7, fOpts: hex("02"), clear: "AA" }), { nwkSKey });
    expect(answer).toMatchObject({ macCommandsAre: "1.0 clear text", encrypted: ["FRMPayload"] });
  });

  test("the upper half of the counter is found by trial, and said to be", () => {
    const bytes = uplink10({ fCnt32: 0x0003_fff0, clear: "CAFE" });
    const answer = explain(bytes, { nwkSKey, appSKey });
    expect(answer).toMatchObject({ micValid: true, fCnt32: 0x0003_fff0, decryptedHex: "CAFE" });
    expect(answer.notes).toContain("found by trial: upper counter half 3");
    expect(explain(bytes, { nwkSKey, appSKey }, { fCntHigh: 3 })).toMatchObject({
      micValid: true,
      notes: [],
    });
    expect(explain(bytes, { nwkSKey, appSKey }, { fCntHigh: 2 }).micValid).toBe(false);
  });

  test("a wrong key proves nothing, and nothing is decrypted with its neighbour", () => {
    const answer = explain(uplink10({ fCnt32: 7, clear: "CAFE" }), { nwkSKey: key(9), appSKey });
    expect(answer).toMatchObject({ micValid: false, encrypted: ["FRMPayload"] });
    expect(answer).not.toHaveProperty("decryptedHex");
  });

  test("an application key alone decrypts, without a proof", () => {
    const answer = explain(uplink10({ fCnt32: 7, clear: "CAFE" }), { appSKey });
    expect(answer.decryptedHex).toBe("CAFE");
    expect(answer).not.toHaveProperty("micValid");
    expect(answer.notes.join()).toContain("without a proof");
  });

  test("commands on FPort 0 are read with the network key", () => {
    const answer = explain(uplink10({ fCnt32: 7, fPort: 0, clear: "0605FB0D" }, nwkSKey), { nwkSKey });
    expect(answer.macCommandsAre).toBe("decrypted FPort 0");
    expect(answer).not.toHaveProperty("fOptsDecryptedHex");
    // A command that nobody knows stops the reading: what is left is shown.
    const stopped = explain(uplink10({ fCnt32: 7, fPort: 0, clear: "02FF01" }, nwkSKey), { nwkSKey });
    expect(stopped).toMatchObject({
      macCommands: [{ name: "LinkCheckReq" }],
      macCommandsUnparsedHex: "FF01",
    });
    expect(describeAnswer(stopped)).toContain(`\n  not read: FF01 (${stopped.macCommandsStop})`);
    expect(answer.macCommands).toMatchObject([
      { name: "DevStatusAns", battery: 5, marginDb: -5 },
      { name: "DeviceTimeReq" },
    ]);
  });

  test("a frame that a relay forwarded is shown inside the relay's own", () => {
    const inner = hex("40F17DBE49000200019543787 62B11FF0D".replace(" ", ""));
    const forwarded = { worChannel: 1, rssiDbm: -93, snrDb: 7, dataRate: 3, frequencyHz: 868_100_000 };
    const clear = hexOf(encodeForwardedUplink({ ...forwarded, phyPayload: inner }));
    const answer = explain(uplink10({ fCnt32: 7, fPort: 226, clear }, nwkSKey), { nwkSKey });
    expect(answer.relayed).toMatchObject({ ...forwarded, phyPayloadHex: hexOf(inner) });
    expect(describeAnswer(answer)).toContain("49BE7DF1");
  });
});

describe("with the keys of 1.1", () => {
  test("FOpts are decrypted in the errata's form, or as first printed", () => {
    for (const [form, words] of [
      ["errata", "decrypted, 1.1"],
      ["original", "decrypted, 1.1 as first printed"],
    ] as const) {
      const fOpts = cryptFOpts(keys11.nwkSEncKey, hex("0B01"), identity(7), 5, form);
      const answer = explain(uplink11({ fCnt32: 7, fOpts, clear: "BEEF" }), keys11, { txDr: 5, txCh: 2 });
      expect(answer).toMatchObject({ micValid: true, lorawanVersion: "1.1", fOptsDecryptedHex: "0B01" });
      expect(answer.macCommandsAre).toBe(words);
      expect(answer.macCommands).toMatchObject([{ name: "RekeyInd", minor: 1 }]);
    }
  });

  test("data rate and channel are found by trial when nobody tells them", () => {
    const answer = explain(uplink11({ fCnt32: 70_000, clear: "BEEF" }), keys11);
    expect(answer).toMatchObject({ micValid: true, micChecked: "whole", fCnt32: 70_000 });
    expect(answer.notes).toContain("found by trial: data rate 5, channel index 2");
  });

  test("nothing is said to be found by trial of what was told", () => {
    const bytes = uplink11({ fCnt32: 7, clear: "BEEF" });
    expect(explain(bytes, keys11, { txDr: 5, txCh: 2 }).notes).toEqual([]);
    // One of the two told: the other is tried.
    for (const facts of [{ txDr: 5 }, { txCh: 2 }]) {
      const answer = explain(bytes, keys11, facts);
      expect(answer).toMatchObject({ micValid: true, micChecked: "whole" });
      expect(answer.notes).toEqual(["found by trial: data rate 5, channel index 2"]);
    }
  });

  test("the forwarding key alone proves half a MIC", () => {
    const answer = explain(uplink11({ fCnt32: 7 }), { fNwkSIntKey: keys11.fNwkSIntKey });
    expect(answer).toMatchObject({ micValid: true, micChecked: "half" });
    expect(explain(uplink11({ fCnt32: 7 }), { fNwkSIntKey: key(9) })).toMatchObject({ micValid: false });
  });

  test("the serving key alone proves the other half, when data rate and channel are told", () => {
    const { sNwkSIntKey } = keys11;
    const bytes = uplink11({ fCnt32: 7 });
    expect(explain(bytes, { sNwkSIntKey })).not.toHaveProperty("micValid");
    expect(explain(bytes, { sNwkSIntKey }).notes).toEqual([
      "the MIC was not checked: without FNwkSIntKey the MIC needs the data rate and channel index",
    ]);
    expect(explain(bytes, { sNwkSIntKey }, { txDr: 5, txCh: 2 })).toMatchObject({
      micValid: true,
      micChecked: "half",
    });
    expect(explain(bytes, { sNwkSIntKey }, { txDr: 4, txCh: 2 })).toMatchObject({ micValid: false });
  });

  test("a wrong channel breaks the first half of the MIC", () => {
    const answer = explain(uplink11({ fCnt32: 7 }), keys11, { txDr: 5, txCh: 3 });
    expect(answer.micValid).toBe(false);
    expect(answer.notes.join()).toContain("octets 2-3 verify, octets 0-1 do not");
  });

  test("the counter acknowledged counts only when ACK is set", () => {
    const inputs = { confFCnt: 9, txDr: 5, txCh: 2 };
    const acknowledging = uplink11({ fCnt32: 7, ack: true }, inputs);
    expect(explain(acknowledging, keys11, inputs)).toMatchObject({ micValid: true, micChecked: "whole" });
    expect(explain(acknowledging, keys11, { txDr: 5, txCh: 2 })).toMatchObject({
      micValid: true,
      micChecked: "half",
    });
    expect(explain(uplink11({ fCnt32: 7 }), keys11, inputs)).toMatchObject({
      micValid: true,
      micChecked: "whole",
    });
  });

  test("a device of 1.1 on a network of 1.0 signs with one key", () => {
    const message = uplink({ fCnt32: 7, fOpts: hex("02") }, new Uint8Array(0));
    const bytes = joinOctets(message, dataMic10(keys11.fNwkSIntKey, message, identity(7)));
    expect(explain(bytes, keys11)).toMatchObject({
      micValid: true,
      lorawanVersion: "1.0",
      macCommandsAre: "1.0 clear text",
    });
  });

  test("a downlink is proved by the serving key, with the counter that it acknowledges", () => {
    const frame: DataFrameDown = {
      messageType: "ConfirmedDataDown",
      direction: "down",
      devAddr,
      fCtrl: { adr: false, ack: true, fPending: true, fOptsLength: 0, raw: 0 },
      fCnt: 3,
      fOpts: new Uint8Array(0),
      fPort: null,
      frmPayload: new Uint8Array(0),
      mic: new Uint8Array(4),
      rfuBits: 0,
    };
    const message = encodePhyPayload(frame).subarray(0, -4);
    const down = { direction: "down" as const, devAddr, fCnt32: 3 };
    const bytes = joinOctets(message, downlinkMic11(keys11.sNwkSIntKey, message, down, 41));
    expect(explain(bytes, keys11, { confFCnt: 41 })).toMatchObject({
      micValid: true,
      fCtrl: { fPending: true },
    });
    expect(explain(bytes).fCtrl).toEqual({ adr: false, ack: true, fPending: true, fOptsLen: 0 });
    expect(explain(bytes, keys11, { confFCnt: 42 })).toMatchObject({ micValid: false });
    expect(explain(bytes, keys11)).not.toHaveProperty("micValid");
    // The forwarding key alone says nothing of a downlink.
    const forwarding = explain(bytes, { fNwkSIntKey: keys11.fNwkSIntKey }, { confFCnt: 41 });
    expect(forwarding).not.toHaveProperty("micValid");
    expect(forwarding.notes).toEqual([]);
  });

  test("FOpts are decrypted with the encryption key alone, but not where a MIC is refused", () => {
    const fOpts = cryptFOpts(keys11.nwkSEncKey, hex("0B01"), identity(7), null);
    const bytes = uplink11({ fCnt32: 7, fOpts, fPort: null });
    const { nwkSEncKey } = keys11;
    expect(explain(bytes, { nwkSEncKey }).fOptsDecryptedHex).toBe("0B01");
    const refused = explain(bytes, { nwkSEncKey, nwkSKey: key(9) });
    expect(refused.micValid).toBe(false);
    expect(refused).not.toHaveProperty("fOptsDecryptedHex");
    // No port, no payload to decrypt.
    expect(explain(bytes, { appSKey: keys11.appSKey })).not.toHaveProperty("decryptedHex");
  });

  test("FOpts of a proved 1.1 frame stay encrypted without the encryption key", () => {
    const fOpts = cryptFOpts(keys11.nwkSEncKey, hex("02"), identity(7), 5);
    const { fNwkSIntKey, sNwkSIntKey } = keys11;
    const answer = explain(uplink11({ fCnt32: 7, fOpts }), { fNwkSIntKey, sNwkSIntKey });
    expect(answer).toMatchObject({ macCommands: [], macCommandsAre: "encrypted", encrypted: ["FOpts"] });
  });
});

describe("a join", () => {
  const [nwkKey, appKey] = [key(7), key(8)];
  const [devEui, joinEui] = ["02005E1000000101", "02005E1000000201"];
  const content = {
    joinNonce: "000102",
    netId: "000001",
    devAddr,
    dlSettings: 0x83,
    rxDelay: 1,
    cfList: null,
  };
  const clearFor = (mic: Uint8Array) => encodeJoinAcceptContent(content, mic);
  const { jsIntKey, jsEncKey } = deriveJoinServerKeys(nwkKey, devEui);
  const mic = joinAcceptMicOptNeg(jsIntKey, clearFor(new Uint8Array(4)), {
    joinReqType: 1,
    joinEui,
    devNonce: 5,
  });
  const answerToRejoin = sealJoinAccept(jsEncKey, clearFor(mic));

  test("accept without a key shows nothing but its length", () => {
    const answer = explain(answerToRejoin);
    expect(answer.encrypted).toEqual(["everything after MHDR, MIC included"]);
    expect(answer).not.toHaveProperty("netId");
    expect(answer).not.toHaveProperty("devAddr");
    expect(answer).not.toHaveProperty("micHex");
  });

  test("accept of 1.1 is proved with JSIntKey, JoinEUI and the nonce, whichever request it answers", () => {
    const facts = { joinEui, devNonce: 5 };
    expect(explain(answerToRejoin, { jsIntKey, jsEncKey }, facts)).toMatchObject({
      micValid: true,
      devAddr,
      netId: "000001",
      optNeg: true,
      notes: ["answers a rejoin-request of type 1"],
    });
    expect(explain(answerToRejoin, { nwkKey }, { ...facts, devEui })).toMatchObject({ micValid: true });
    expect(explain(answerToRejoin, { jsIntKey, jsEncKey }, { ...facts, devNonce: 6 })).toMatchObject({
      micValid: false,
    });
  });

  test("accept whose MIC lacks facts is shown, without a proof", () => {
    const answer = explain(answerToRejoin, { jsEncKey });
    expect(answer.devAddr).toBe(devAddr);
    expect(answer).not.toHaveProperty("micValid");
    expect(answer.notes.join()).toContain("MIC was not checked");
    // Any one of the three missing.
    for (const [keys, facts] of [
      [{ jsEncKey }, { joinEui, devNonce: 5 }],
      [{ jsEncKey, jsIntKey }, { devNonce: 5 }],
      [{ jsEncKey, jsIntKey }, { joinEui }],
    ] as const) {
      const lacking = explain(answerToRejoin, keys, facts);
      expect(lacking).not.toHaveProperty("micValid");
      expect(lacking.notes).toEqual([
        "the MIC was not checked: with OptNeg it needs JSIntKey, JoinEUI and DevNonce",
      ]);
    }
  });

  test("rejoin-request of type 0 names the network, of type 1 the join server, each its own counter", () => {
    // LoRaWAN 1.1, section 6.2.4: least octet first.
    const ofNetwork = explain(hex("C0 00 030201 0101000010 5E0002 3412 AABBCCDD".replaceAll(" ", "")));
    expect(ofNetwork).toMatchObject({
      messageType: "RejoinRequest",
      direction: "up",
      rejoinType: 0,
      netId: "010203",
      devEui,
      rjCount0: 0x1234,
      micHex: "AABBCCDD",
    });
    expect(ofNetwork).not.toHaveProperty("joinEui");
    expect(ofNetwork).not.toHaveProperty("rjCount1");
    const ofServer = explain(
      hex("C0 01 0102000010 5E0002 0101000010 5E0002 3412 AABBCCDD".replaceAll(" ", "")),
    );
    expect(ofServer).toMatchObject({ rejoinType: 1, joinEui, devEui, rjCount1: 0x1234 });
    expect(ofServer).not.toHaveProperty("netId");
    expect(ofServer).not.toHaveProperty("rjCount0");
  });

  test("accept under a wrong key is not shown", () => {
    const sealed = hex("20493EEB51FBA2116F810EDB3742975142");
    const right = explain(sealed, { appKey: hex("00112233445566778899AABBCCDDEEFF") });
    expect(right).toMatchObject({
      micValid: true,
      devAddr: "02031980",
      netId: "221101",
      joinNonce: "570BC7",
    });
    expect(describeAnswer(right)).toContain("DevAddr 02031980");
    // This key gives OptNeg 0, so that the MIC can be refused outright.
    const wrong = explain(sealed, { appKey });
    expect(wrong.devAddr === undefined || wrong.micValid === undefined).toBe(true);
    expect(explain(sealed, { appKey, nwkKey })).not.toHaveProperty("devAddr");
  });

  test("request is proved by AppKey or NwkKey, a rejoin-request by its own keys", () => {
    const request = uplinkOf("00 0102030405060708 1112131415161718 3412", appKey);
    expect(explain(request, { appKey }).micValid).toBe(true);
    expect(explain(request, { nwkKey: appKey }).micValid).toBe(true);
    expect(explain(request, { appKey: nwkKey }).micValid).toBe(false);
    expect(explain(request)).not.toHaveProperty("micValid");
    const rejoin0 = uplinkOf("C0 00 010000 1112131415161718 0500", keys11.sNwkSIntKey);
    expect(explain(rejoin0, { sNwkSIntKey: keys11.sNwkSIntKey })).toMatchObject({
      micValid: true,
      rjCount0: 5,
    });
    const rejoin1 = uplinkOf("C0 01 0102030405060708 0101000010 5E0002 0600", jsIntKey);
    expect(explain(rejoin1, { nwkKey })).toMatchObject({ micValid: true, rjCount1: 6, devEui });
    expect(explain(rejoin1, { sNwkSIntKey: keys11.sNwkSIntKey })).not.toHaveProperty("micValid");
  });

  function uplinkOf(text: string, signingKey: Uint8Array): Uint8Array {
    return joinOctets(hex(text), joinMic(signingKey, hex(text)));
  }
});

describe("a packet that is no PHYPayload", () => {
  test("is named by its fault, and keeps what its octets still say", () => {
    const answer = explain(hex("80040302010FFF0401020304"));
    expect(answer).toMatchObject({ messageType: "ConfirmedDataUp", error: "fOptsOverrun" });
    expect(answer.fields.map((span) => span.name)).toEqual(["MHDR", "DevAddr", "FCtrl", "FCnt", "Rest"]);
    expect(describeAnswer(answer)).toContain(
      "Malformed: lorawan: 15 octets needed at octet 8, 0 there (fOptsOverrun)",
    );
  });

  test("of no octets, or of another major version, has no message type", () => {
    expect(explain(new Uint8Array(0))).toMatchObject({ messageType: null, error: "empty" });
    expect(explain(hex("41F17DBE490003002A3518AF"))).toMatchObject({
      messageType: null,
      error: "unsupportedMajor",
    });
  });

  test("is a class B beacon when both CRCs fit", () => {
    expect(explain(hex("0000000002CCA27E00012000008103DE55"))).toMatchObject({
      messageType: "ClassBBeacon",
      beacon: { gpsSeconds: 3_422_683_136, layout: "SF9" },
    });
    expect(explain(hex("0000000002CCA27E00012000008103DE54"))).toMatchObject({ error: "wrongLength" });
  });

  test("with a relay's length gets a hint, no more", () => {
    const answer = explain(hex("0103C4B3A20111223344070055667788").subarray(0, 15));
    expect(answer.error).toBe("unsupportedMajor");
    expect(answer.notes).toEqual(["length and header would fit a relay's wor-uplink frame"]);
  });
});

test("no key ever comes out", () => {
  const secret = hex("5EC2E75EC2E75EC2E75EC2E75EC2E75E");
  const keys = Object.fromEntries(
    [
      "nwkSKey",
      "appSKey",
      "fNwkSIntKey",
      "sNwkSIntKey",
      "nwkSEncKey",
      "appKey",
      "nwkKey",
      "jsIntKey",
      "jsEncKey",
    ].map((name) => [name, secret]),
  ) as LorawanKeys;
  for (const text of [
    "40F17DBE490002000195437876 2B11FF0D",
    "20493EEB51FBA2116F810EDB3742975142",
    "",
    "C0",
  ]) {
    const answer = explain(hex(text), keys);
    expect(JSON.stringify(answer)).not.toContain(hexOf(secret));
    expect(describeAnswer(answer)).not.toContain(hexOf(secret));
  }
});
