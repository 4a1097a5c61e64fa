/**
 * What can be said about a data frame with the keys available? MIC verdict, decrypted payload, MAC commands.
 * Sources: LoRaWAN 1.1, sections 4.3 and 4.4; TS011-1.0.0, table 25 (FPort 226 uses the network key).
 */

import type { Decoded } from "../../model/fault.ts";
import type { DevAddr } from "../../model/identifiers.ts";
import { checkDataMic, type MicVerdict, type SignedFrame } from "./check-data-mic.ts";
import type { DecodeAnswer } from "./decode-answer.ts";
import { networkOf } from "./device-address.ts";
import { type FieldSpan, mapFields } from "./field-map.ts";
import { cryptFrmPayload, type FrameIdentity } from "./frame-mic.ts";
import type { LorawanKeys } from "./lorawan-keys.ts";
import {
  assumeClearFOpts,
  clearFOpts,
  commandsOfFPort0,
  decryptFOpts,
  type FrameCommands,
} from "./mac-commands.ts";
import { hexOf, identifierAt, littleEndian, octet } from "./octets.ts";
import type { DataFrame } from "./phy-payload.ts";

/** A frame with its keys, what they proved, and who sent it. */
interface Checked {
  readonly frame: DataFrame;
  readonly identity: FrameIdentity;
  readonly keys: LorawanKeys;
  readonly verdict: MicVerdict;
}

/** Explains a sound data frame. Nothing is decrypted when a MIC proves the keys or the counter wrong. */
export function explainDataFrame(signed: SignedFrame, fields: readonly FieldSpan[]): DecodeAnswer {
  const { frame, keys } = signed;
  const verdict = checkDataMic(signed);
  const { direction, devAddr } = frame;
  const checked = { frame, identity: { direction, devAddr, fCnt32: verdict.fCnt32 }, keys, verdict };
  const clear = decryptPayload(checked);
  const commands = commandsOf(checked, clear);
  return {
    messageType: frame.messageType,
    direction,
    devAddr,
    network: networkOf(devAddr),
    fCtrl: describeFCtrl(frame),
    fCnt: frame.fCnt,
    ...(hasKeys(keys) ? { fCnt32: verdict.fCnt32 } : {}),
    fPort: frame.fPort,
    ...commandAnswer(frame, commands),
    frmPayloadHex: hexOf(frame.frmPayload),
    micHex: hexOf(frame.mic),
    ...micAnswer(verdict),
    ...clearAnswer(frame, clear),
    ...encryptedAnswer(frame, clear, commands),
    notes: [...verdict.notes, ...ownNotes(checked, clear)],
    fields,
  };
}

function decryptPayload({ frame, identity, keys, verdict }: Checked): Uint8Array | null {
  if (frame.fPort === null || verdict.valid === false) return null;
  const usesNetworkKey = frame.fPort === 0 || frame.fPort === RELAY_FPORT;
  const key = usesNetworkKey ? networkEncryptionKey(keys, verdict) : keys.appSKey;
  return key === undefined ? null : cryptFrmPayload(key, frame.frmPayload, identity);
}

/** NwkSKey where the MIC proved 1.0, NwkSEncKey where it proved 1.1, otherwise the only one at hand. */
function networkEncryptionKey(keys: LorawanKeys, verdict: MicVerdict): Uint8Array | undefined {
  // LoRaWAN 1.1, section 6.2.3: on a 1.0 network a 1.1 device's network keys are all the same.
  if (verdict.version === "1.0") return keys.nwkSKey ?? keys.nwkSEncKey ?? keys.fNwkSIntKey;
  if (verdict.version === "1.1") return keys.nwkSEncKey;
  return keys.nwkSEncKey ?? keys.nwkSKey;
}

function commandsOf({ frame, identity, keys, verdict }: Checked, clear: Uint8Array | null): FrameCommands {
  if (frame.fPort === 0 && clear !== null) return commandsOfFPort0(clear, frame);
  if (verdict.version === "1.0") return clearFOpts(frame);
  if (verdict.version === "1.1" || (verdict.valid === null && keys.nwkSEncKey !== undefined)) {
    if (keys.nwkSEncKey !== undefined) return decryptFOpts(keys.nwkSEncKey, frame, identity);
    // LoRaWAN 1.1, section 4.3.1.6: FOpts of a 1.1 frame are encrypted; a chance reading is not shown.
    if (frame.fOpts.length > 0) return { commands: [], certainty: "encrypted", clear: null, list: null };
  }
  return assumeClearFOpts(frame);
}

function describeFCtrl(frame: DataFrame): NonNullable<DecodeAnswer["fCtrl"]> {
  const { adr, ack, fOptsLength: fOptsLen } = frame.fCtrl;
  if (frame.direction === "down") return { adr, ack, fPending: frame.fCtrl.fPending, fOptsLen };
  return { adr, adrAckReq: frame.fCtrl.adrAckReq, ack, classB: frame.fCtrl.classB, fOptsLen };
}

function commandAnswer(frame: DataFrame, found: FrameCommands): Partial<DecodeAnswer> {
  const macCommands = found.commands.map((command) => ({ ...command, cid: cidText(command.cid) }));
  const unread = found.list !== null && found.list.stop !== null && found.clear !== null ? found.list : null;
  const wasDecrypted = found.clear !== null && found.certainty.startsWith("decrypted") && frame.fPort !== 0;
  return {
    macCommands,
    ...(found.certainty === "none" ? {} : { macCommandsAre: found.certainty }),
    ...(unread === null
      ? {}
      : { macCommandsUnparsedHex: hexOf(unread.unparsed), macCommandsStop: String(unread.stop) }),
    ...(frame.fOpts.length === 0 ? {} : { fOptsHex: hexOf(frame.fOpts) }),
    ...(wasDecrypted && found.clear !== null ? { fOptsDecryptedHex: hexOf(found.clear) } : {}),
  };
}

function cidText(cid: number): string {
  return `0x${cid.toString(16).toUpperCase().padStart(2, "0")}`;
}

function micAnswer(verdict: MicVerdict): Partial<DecodeAnswer> {
  if (verdict.valid === null || verdict.checked === "none") return {};
  return {
    micValid: verdict.valid,
    micChecked: verdict.checked,
    ...(verdict.version === null ? {} : { lorawanVersion: verdict.version }),
  };
}

function clearAnswer(frame: DataFrame, clear: Uint8Array | null): Partial<DecodeAnswer> {
  if (clear === null) return {};
  const isText = clear.length > 0 && clear.every((value) => value >= 0x20 && value < 0x7f);
  const forwarded = frame.fPort === RELAY_FPORT ? decodeForwardedUplink(clear) : null;
  return {
    decryptedHex: hexOf(clear),
    ...(isText ? { decryptedText: String.fromCharCode(...clear) } : {}),
    ...(forwarded === null || !forwarded.ok ? {} : { relayed: describeForwarded(forwarded.value) }),
  };
}

function describeForwarded({ phyPayload, ...heard }: ForwardedUplink): NonNullable<DecodeAnswer["relayed"]> {
  return { ...heard, phyPayloadHex: hexOf(phyPayload), fields: mapFields(phyPayload) };
}

function encryptedAnswer(
  frame: DataFrame,
  clear: Uint8Array | null,
  commands: FrameCommands,
): Partial<DecodeAnswer> {
  const parts = [
    ...(commands.certainty === "encrypted" ? ["FOpts"] : []),
    ...(clear === null && frame.frmPayload.length > 0 ? ["FRMPayload"] : []),
  ];
  return parts.length === 0 ? {} : { encrypted: parts };
}

function ownNotes({ frame, verdict, keys }: Checked, clear: Uint8Array | null): string[] {
  const notes: string[] = [];
  if (frame.rfuBits !== 0)
    notes.push(`MHDR has RFU bits set (${frame.rfuBits}): damaged, or a later standard`);
  if (verdict.valid === false && hasKeys(keys))
    notes.push("nothing was decrypted, since the MIC does not verify");
  if (clear !== null && clear.length > 0 && verdict.valid === null) {
    notes.push("decrypted without a proof: no MIC was checked, a wrong key or counter would give noise");
  }
  return notes;
}

function hasKeys(keys: LorawanKeys): boolean {
  return Object.values(keys).some((key) => key !== undefined);
}

// Is this a relay's traffic? Recognition of wake-on-radio frames and of uplinks that a relay forwards.
// Source: TS011-1.0.0, the WOR frame formats and table 25 (forwarded uplinks).
// Never throws.

/** TS011-1.0.0: the FPort of forwarded uplinks, encrypted with the relay's network key. */
const RELAY_FPORT = 226;

type WorFrame =
  | { readonly kind: "wor-join"; readonly dataRate: number; readonly frequencyHz: number }
  | { readonly kind: "wor-uplink"; readonly devAddr: DevAddr; readonly wFCnt: number }
  | { readonly kind: "wor-ack" };

/**
 * Recognises a wake-on-radio frame by its exact length and header; null when it is none. Such frames carry no MHDR
 * and live on their own channels; their length fits no LoRaWAN message, but is weak evidence by itself.
 */
export function recogniseWor(bytes: Uint8Array): WorFrame | null {
  const type = octet(bytes, 0) & 0x0f;
  if (bytes.length === 5 && type === 0) {
    return {
      kind: "wor-join",
      dataRate: octet(bytes, 1) & 0x0f,
      frequencyHz: littleEndian(bytes, 2, 3) * 100,
    };
  }
  if (bytes.length === 15 && type === 1) {
    return { kind: "wor-uplink", devAddr: identifierAt(bytes, 1, 4), wFCnt: littleEndian(bytes, 9, 2) };
  }
  return bytes.length === 7 ? { kind: "wor-ack" } : null;
}

/** An end-device's uplink as a relay heard it. The outer frame's level is the relay's, this one is the device's. */
export interface ForwardedUplink {
  /** Wake-on-radio channel, 0 to 3. */
  readonly worChannel: number;
  readonly rssiDbm: number;
  readonly snrDb: number;
  readonly dataRate: number;
  readonly frequencyHz: number;
  /** The end-device's PHYPayload; heard directly as well, it is one frame, not two. */
  readonly phyPayload: Uint8Array;
}

/** Reads the decrypted FRMPayload of FPort 226. Fault (layer `lorawan`): `tooShort`. */
export function decodeForwardedUplink(clear: Uint8Array): Decoded<ForwardedUplink> {
  // TS011-1.0.0, table 25: metadata 3, frequency 3, then the PHYPayload.
  if (clear.length < 7) {
    return {
      ok: false,
      fault: { reason: "tooShort", layer: "lorawan", at: clear.length, need: 7, have: clear.length },
    };
  }
  // Metadata: WOR channel 17-16, RSSI 15-9 (-x - 15 dBm), SNR 8-4 (x - 20 dB), data rate 3-0.
  const metadata = littleEndian(clear, 0, 3);
  return {
    ok: true,
    value: {
      worChannel: (metadata >> 16) & 0x03,
      rssiDbm: -((metadata >> 9) & 0x7f) - 15,
      snrDb: ((metadata >> 4) & 0x1f) - 20,
      dataRate: metadata & 0x0f,
      frequencyHz: littleEndian(clear, 3, 3) * 100,
      phyPayload: clear.subarray(6),
    },
  };
}
