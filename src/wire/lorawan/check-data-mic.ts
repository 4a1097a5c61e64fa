/**
 * Does any key at hand prove a data frame's MIC, and what does that settle: version, full counter, channel?
 * Source: LoRaWAN 1.1, section 4.4; LoRaWAN 1.0.2, section 4.4.
 * What the frame does not carry (upper counter half, data rate, channel) is tried where it was not handed in.
 */
import {
  acknowledged,
  CONF_FCNT_MISSING,
  downlinkMic11,
  type FrameIdentity,
  identityOf,
  splitMic,
  TX_CHANNELS,
  TX_DATA_RATES,
  uplinkMicS,
  verifyDataMic10,
  verifyForwardingHalf,
} from "./frame-mic.ts";
import type { FrameFacts, LorawanKeys } from "./lorawan-keys.ts";
import { sameOctets } from "./octets.ts";
import type { DataFrame } from "./phy-payload.ts";

export interface MicVerdict {
  /** null: no key available can check it. */
  readonly valid: boolean | null;
  /** How much of the MIC was checked: half of a 1.1 uplink's MIC leaves a chance of 2^-16. */
  readonly checked: "none" | "half" | "whole";
  /** The MIC's version when it verified. */
  readonly version: "1.0" | "1.1" | null;
  /** The full counter: proved when valid, else as handed in or assumed. */
  readonly fCnt32: number;
  readonly notes: readonly string[];
}

// Chosen: 256 upper halves cost some milliseconds and cover 16 million frames; with half a MIC fewer, since each
// trial may match by chance with 2^-16.
const TRIED_HIGHS = 256;
const TRIED_HIGHS_HALF = 16;

/** A data frame, and what is at hand to check it. */
export interface SignedFrame {
  readonly bytes: Uint8Array;
  readonly frame: DataFrame;
  readonly keys: LorawanKeys;
  readonly facts: FrameFacts;
}

/** Checks a data frame against whatever keys are available: NwkSKey as 1.0, FNwkSIntKey and SNwkSIntKey as 1.1. */
export function checkDataMic(signed: SignedFrame): MicVerdict {
  const verdicts = [
    checkAs10(signed),
    signed.frame.direction === "up" ? checkUplink11(signed) : checkDownlink11(signed),
  ];
  return (
    verdicts.find((verdict) => verdict.valid === true) ??
    verdicts.find((verdict) => verdict.valid === false) ??
    verdicts.find((verdict) => verdict.notes.length > 0) ??
    unchecked(signed)
  );
}

function checkAs10(signed: SignedFrame): MicVerdict {
  const { bytes, frame, keys, facts } = signed;
  const { nwkSKey, fNwkSIntKey } = keys;
  if (nwkSKey === undefined && fNwkSIntKey === undefined) return unchecked(signed);
  for (const high of highs(facts, TRIED_HIGHS)) {
    const identity = identityOf(frame, high);
    const found = (...notes: string[]) =>
      proved("1.0", "whole", identity, [...counterNote(facts, high), ...notes]);
    if (nwkSKey !== undefined && verifyDataMic10(nwkSKey, bytes, identity)) return found();
    // LoRaWAN 1.1, section 4.4: on a 1.0 network all four octets come from FNwkSIntKey.
    if (fNwkSIntKey !== undefined && verifyDataMic10(fNwkSIntKey, bytes, identity)) {
      return found("a MIC of 1.0 under FNwkSIntKey: a 1.1 device on a 1.0 network");
    }
  }
  return nwkSKey === undefined ? unchecked(signed) : refused(signed, "whole");
}

function checkDownlink11(signed: SignedFrame): MicVerdict {
  const { bytes, frame, keys, facts } = signed;
  const key = keys.sNwkSIntKey;
  if (key === undefined) return unchecked(signed);
  const confFCnt = acknowledged(frame, facts);
  if (confFCnt === undefined) return unchecked(signed, CONF_FCNT_MISSING);
  const { message, mic } = splitMic(bytes);
  for (const high of highs(facts, TRIED_HIGHS)) {
    const identity = identityOf(frame, high);
    if (sameOctets(downlinkMic11(key, message, identity, confFCnt), mic)) {
      return proved("1.1", "whole", identity, counterNote(facts, high));
    }
  }
  return refused(signed, "whole");
}

function checkUplink11(signed: SignedFrame): MicVerdict {
  const { bytes, frame, keys, facts } = signed;
  const { fNwkSIntKey, sNwkSIntKey } = keys;
  const confFCnt = acknowledged(frame, facts);
  if (fNwkSIntKey === undefined) {
    if (sNwkSIntKey === undefined) return unchecked(signed);
    if (confFCnt === undefined) return unchecked(signed, CONF_FCNT_MISSING);
    if (facts.txDr === undefined || facts.txCh === undefined) {
      return unchecked(signed, "without FNwkSIntKey the MIC needs the data rate and channel index");
    }
    for (const high of highs(facts, TRIED_HIGHS_HALF)) {
      const found = findServingHalf(signed, identityOf(frame, high), sNwkSIntKey, confFCnt);
      if (found !== null) return proved("1.1", "half", identityOf(frame, high), counterNote(facts, high));
    }
    return refused(signed, "half");
  }
  const matches = highs(facts, TRIED_HIGHS_HALF).filter((high) =>
    verifyForwardingHalf(fNwkSIntKey, bytes, identityOf(frame, high)),
  );
  const [first] = matches;
  if (first === undefined) return refused(signed, sNwkSIntKey === undefined ? "half" : "whole");
  if (sNwkSIntKey === undefined || confFCnt === undefined) {
    const why = sNwkSIntKey === undefined ? "only FNwkSIntKey is known" : CONF_FCNT_MISSING;
    const notes = [
      ...counterNote(facts, first),
      `MIC octets 2-3 verify; octets 0-1 were not checked: ${why}`,
    ];
    return proved("1.1", "half", identityOf(frame, first), notes);
  }
  for (const high of matches) {
    const identity = identityOf(frame, high);
    const found = findServingHalf(signed, identity, sNwkSIntKey, confFCnt);
    if (found !== null) return proved("1.1", "whole", identity, [...counterNote(facts, high), ...found]);
  }
  const note = "MIC octets 2-3 verify, octets 0-1 do not: SNwkSIntKey, data rate or channel index is wrong";
  return { ...refused(signed, "whole"), notes: [note] };
}

/** Notes about what had to be tried, or null when no data rate and channel fits the first two octets. */
function findServingHalf(
  { bytes, facts }: SignedFrame,
  identity: FrameIdentity,
  sNwkSIntKey: Uint8Array,
  confFCnt: number,
): string[] | null {
  const { message, mic } = splitMic(bytes);
  const half = mic.subarray(0, 2);
  for (const txDr of facts.txDr === undefined ? numbersBelow(TX_DATA_RATES) : [facts.txDr]) {
    for (const txCh of facts.txCh === undefined ? numbersBelow(TX_CHANNELS) : [facts.txCh]) {
      const inputs = { confFCnt, txDr, txCh };
      if (!sameOctets(uplinkMicS(sNwkSIntKey, message, identity, inputs), half)) continue;
      if (facts.txDr !== undefined && facts.txCh !== undefined) return [];
      return [`found by trial: data rate ${txDr}, channel index ${txCh}`];
    }
  }
  return null;
}

function highs(facts: FrameFacts, tried: number): readonly number[] {
  return facts.fCntHigh === undefined ? numbersBelow(tried) : [facts.fCntHigh];
}

function numbersBelow(count: number): readonly number[] {
  return Array.from({ length: count }, (_, index) => index);
}

function counterNote(facts: FrameFacts, high: number): string[] {
  return facts.fCntHigh === undefined && high > 0 ? [`found by trial: upper counter half ${high}`] : [];
}

function proved(
  version: "1.0" | "1.1",
  checked: "half" | "whole",
  identity: FrameIdentity,
  notes: readonly string[],
): MicVerdict {
  return { valid: true, checked, version, fCnt32: identity.fCnt32, notes };
}

function refused(signed: SignedFrame, checked: "half" | "whole"): MicVerdict {
  return { valid: false, checked, version: null, fCnt32: assumedCounter(signed), notes: [] };
}

function unchecked(signed: SignedFrame, note?: string): MicVerdict {
  const notes = note === undefined ? [] : [`the MIC was not checked: ${note}`];
  return { valid: null, checked: "none", version: null, fCnt32: assumedCounter(signed), notes };
}

function assumedCounter({ frame, facts }: SignedFrame): number {
  return (facts.fCntHigh ?? 0) * 65536 + frame.fCnt;
}
