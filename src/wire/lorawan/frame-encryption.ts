/**
 * What do FRMPayload and FOpts say once decrypted? The cipher is a key stream, so the same call encrypts.
 * Sources: LoRaWAN 1.1, section 4.3.3 (FRMPayload, blocks A_i) and section 4.3.1.6 (FOpts, figure 15);
 * errata "FCntDwn usage in FOpts encryption" on LoRaWAN 1.1.
 */
import { aesEncryptBlocks, xorOctets } from "./aes.ts";
import type { FrameIdentity } from "./frame-mic.ts";
import { putIdentifier, putLittleEndian } from "./octets.ts";

/** Which printed form of the FOpts block a device follows; devices of both exist. */
export type FOptsForm = "errata" | "original";

/** Decrypts or encrypts FRMPayload: AppSKey for FPort 1 to 255, the network key for FPort 0 and relay port 226. */
export function cryptFrmPayload(key: Uint8Array, frmPayload: Uint8Array, frame: FrameIdentity): Uint8Array {
  const count = Math.ceil(frmPayload.length / 16);
  const blocks = new Uint8Array(count * 16);
  for (let index = 0; index < count; index++) {
    // LoRaWAN 1.1, section 4.3.3: the blocks count from 1.
    blocks.set(blockA(frame, 0, index + 1), index * 16);
  }
  return xorOctets(frmPayload, aesEncryptBlocks(key, blocks));
}

/**
 * Decrypts or encrypts the FOpts of LoRaWAN 1.1 with NwkSEncKey. `fPort` tells which downlink counter is meant:
 * AFCntDown for FPort above 0, NFCntDown otherwise.
 */
export function cryptFOpts(
  nwkSEncKey: Uint8Array,
  fOpts: Uint8Array,
  frame: FrameIdentity,
  fPort: number | null,
  form: FOptsForm = "errata",
): Uint8Array {
  const usesAFCntDown = frame.direction === "down" && fPort !== null && fPort > 0;
  // Errata on LoRaWAN 1.1, FOpts encryption: octet 4 tells the counter and the last octet is 1; both are 0 in figure 15.
  const block = form === "original" ? blockA(frame, 0, 0) : blockA(frame, usesAFCntDown ? 2 : 1, 1);
  return xorOctets(fOpts, aesEncryptBlocks(nwkSEncKey, block));
}

/** 01, 00 00 00, counter kind 1, Dir 1, DevAddr 4, FCnt 4, 00, i. */
function blockA(frame: FrameIdentity, counterKind: number, index: number): Uint8Array {
  const block = new Uint8Array(16);
  block[0] = 0x01;
  block[4] = counterKind;
  block[5] = frame.direction === "up" ? 0 : 1;
  putIdentifier(block, 6, 4, frame.devAddr);
  putLittleEndian(block, 10, 4, frame.fCnt32);
  block[15] = index;
  return block;
}
