/** Frames signed with generated keys, for the tests of keyed identity. */

import fc from "fast-check";
import type { NodeKeys } from "../../src/ledger/keys/identity.ts";
import { dataMic10, splitMic } from "../../src/wire/lorawan/frame-mic.ts";
import type { LorawanKeys } from "../../src/wire/lorawan/lorawan-keys.ts";
import { type DataFrame, decodePhyPayload, encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { uplinkMic11 } from "../wire/lorawan/encoders.ts";

export const DEV_ADDR = "01A2B3C4";

export const keyOctets = fc.uint8Array({ minLength: 16, maxLength: 16 });
export const payloadOctets = fc.uint8Array({ maxLength: 24 });

/** Two keys that differ. */
export const twoKeys = fc
  .tuple(keyOctets, keyOctets)
  .filter(([a, b]) => a.some((octet, i) => octet !== b[i]));

export interface Signed {
  readonly octets: Uint8Array;
  readonly frame: DataFrame;
}

interface Made {
  readonly counter: number;
  readonly payload?: Uint8Array;
  readonly devAddr?: string;
  readonly ack?: boolean;
  readonly direction?: "up" | "down";
}

/** A frame with the octets that `sign` gives for its message. */
function signed(made: Made, sign: (message: Uint8Array) => Uint8Array): Signed {
  const {
    counter,
    payload = Uint8Array.of(1, 2, 3),
    devAddr = DEV_ADDR,
    ack = false,
    direction = "up",
  } = made;
  const body = { devAddr, fCnt: counter % 65_536, fOpts: new Uint8Array(0), fPort: 1, frmPayload: payload };
  const fCtrl = { adr: false, ack, fOptsLength: 0, raw: ack ? 0x20 : 0 };
  const rest = { ...body, mic: new Uint8Array(4), rfuBits: 0 };
  const unsigned = encodePhyPayload(
    direction === "up"
      ? {
          ...rest,
          messageType: "UnconfirmedDataUp",
          direction,
          fCtrl: { ...fCtrl, adrAckReq: false, classB: false },
        }
      : { ...rest, messageType: "UnconfirmedDataDown", direction, fCtrl: { ...fCtrl, fPending: false } },
  );
  const octets = unsigned.slice();
  octets.set(sign(splitMic(unsigned).message), unsigned.length - 4);
  return { octets, frame: dataFrame(octets) };
}

export function frame10(nwkSKey: Uint8Array, made: Made & { readonly highInMic?: number }): Signed {
  const { counter, devAddr = DEV_ADDR, direction = "up", highInMic } = made;
  const fCnt32 = highInMic === undefined ? counter : highInMic * 65_536 + (counter % 65_536);
  return signed(made, (message) => dataMic10(nwkSKey, message, { direction, devAddr, fCnt32 }));
}

export function uplink11(
  keys: { readonly fNwkSIntKey: Uint8Array; readonly sNwkSIntKey: Uint8Array },
  made: Made & { readonly txDr: number; readonly txCh: number; readonly confFCnt?: number },
): Signed {
  const { counter, devAddr = DEV_ADDR, txDr, txCh, confFCnt = 0 } = made;
  const identity = { direction: "up", devAddr, fCnt32: counter } as const;
  return signed(made, (message) => uplinkMic11(keys, message, identity, { confFCnt, txDr, txCh }));
}

export function dataFrame(octets: Uint8Array): DataFrame {
  const decoded = decodePhyPayload(octets);
  if (!decoded.ok || !("fCtrl" in decoded.value)) throw new Error("the test made no data frame");
  return decoded.value;
}

export function nodeOf(keys: LorawanKeys, more: Partial<NodeKeys> = {}): NodeKeys {
  return { devAddr: DEV_ADDR, devEui: null, counterBits: null, keys, ...more };
}
