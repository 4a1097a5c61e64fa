/** What the measure of a receiver says, in sentences: the figure first, then what it means, then what to do. */
import type { Sentence } from "../../contract/common.ts";
import { counted, decibel, figure, signed, signedDb } from "../../words/format.ts";
import type { NoiseDifference, NoiseMeasure } from "./noise.ts";
import type { FactorMeasure, Lack, Offset, ReceiverMeasure } from "./threshold.ts";
import type { Basis } from "./trials.ts";

/** Louder or quieter by more than this, with certainty, is said to be. Chosen: RSSI scales of two boards differ by about as much. */
export const NOISE_DIFFERS_FROM_DB = 1;

function interval(low: number, high: number): string {
  return `(${signed(low)} to ${signed(high)})`;
}

/** "Gateway 02005E1000000001" where a sentence begins with it; a name stays as it was given. */
function atBegin(name: string): string {
  return name.replace(/^gateway /, "Gateway ");
}

/** "SNR −13.1 dB (−13.6 to −12.5)": levels carry their sign by themselves. */
function levelText({ level, floorDb }: FactorMeasure): string {
  if (level === null) return "";
  return `${decibel(level.levelDb)} (${figure(floorDb + level.lowDb, 1)} to ${figure(floorDb + level.highDb, 1)})`;
}

const WANTS: Readonly<Record<Lack, string>> = {
  "few frames": "no node was followed for long enough",
  "too strong": "every node is heard far above the floor; a node further away would tell",
  "few missed": "too few frames were missed to tell",
  "none near": "no frames were heard near the threshold",
  "too wide": "more frames of weak nodes are needed",
  "not of level": "what is lost does not go with the level",
};

/** What the page opens its section with. */
export function receiverSentence(name: string, { verdict, overall, lack }: ReceiverMeasure): Sentence {
  if (overall === null)
    return [{ text: `Not enough yet to measure the receiver of ${name}: ${WANTS[lack ?? "few frames"]}.` }];
  const said = `${signedDb(overall.offsetDb)} ${interval(overall.lowDb, overall.highDb)}`;
  switch (verdict) {
    case "deaf":
      return [
        {
          text: `${atBegin(name)} is deaf: half delivery lies ${said} from the data sheet’s floor. Compare it with a known good gateway, then exchange it.`,
        },
      ];
    case "sound":
      return [
        {
          text: `${atBegin(name)} demodulates as its data sheet says: half delivery lies ${said} from the floor.`,
        },
      ];
    default:
      return [
        {
          text: `Half delivery of ${name} lies ${said} from the data sheet’s floor: more frames would tell whether it is deaf.`,
        },
      ];
  }
}

/** "demodulates SF9 down to −13.1 dB (−13.6 to −12.5), data sheet −12.5 dB". */
export function factorSentence(factor: FactorMeasure): string {
  const { spreadingFactor, floorDb, level, lack } = factor;
  if (level === null)
    return `SF${spreadingFactor}: not enough yet, ${WANTS[lack ?? "few frames"]}; data sheet ${decibel(floorDb)}`;
  return `demodulates SF${spreadingFactor} down to ${levelText(factor)}, data sheet ${decibel(floorDb)}`;
}

export function basisText(basis: Basis, leftOut: number): string {
  const from =
    basis === "others"
      ? "From frames that another gateway heard"
      : "From counters that were missed, and from the weak end of what was heard: no other gateway heard enough";
  const without =
    leftOut === 0
      ? ""
      : ` ${counted(leftOut, "frame")} missed while it heard nothing at all ${leftOut === 1 ? "is" : "are"} left out.`;
  return `${from}.${without}`;
}

export function noiseSentence({ noiseDbm, overThermalDb, channels }: NoiseMeasure): string {
  if (noiseDbm === null || overThermalDb === null)
    return "Its noise is not known: too few frames were weak enough to tell it.";
  return `Its noise is ${figure(noiseDbm)}\u202FdBm on ${counted(channels, "channel")}, ${decibel(overThermalDb)} over thermal noise: receiver and place together.`;
}

/** `besideReference`: both stand on one bench, so that the place is the same. */
export function noiseDifferenceSentence(
  name: string,
  { differenceDb, lowDb, highDb }: NoiseDifference,
  besideReference: boolean,
): string {
  const said = `${decibel(Math.abs(differenceDb))} ${differenceDb >= 0 ? "more" : "less"} noise than ${name} ${interval(lowDb, highDb)}`;
  if (lowDb <= NOISE_DIFFERS_FROM_DB && highDb >= -NOISE_DIFFERS_FROM_DB) return `It reports ${said}.`;
  const why = besideReference
    ? "side by side, that is its receiver, or its RSSI scale"
    : "its receiver, its place, or its RSSI scale; traffic cannot tell which";
  return `It reports ${said}: ${why}.`;
}

export function referenceSentence(
  name: string,
  own: Offset | null,
  reference: Offset | null,
  difference: { readonly differenceDb: number; readonly lowDb: number; readonly highDb: number } | null,
): string {
  if (reference === null)
    return `${atBegin(name)}, the reference, was not measured yet: too little came for it.`;
  const its = `Of ${name}, the reference, half delivery lies ${signedDb(reference.offsetDb)} ${interval(reference.lowDb, reference.highDb)} from the floor`;
  if (own === null || difference === null) return `${its}.`;
  return `${its}: this gateway needs ${decibel(Math.abs(difference.differenceDb))} ${difference.differenceDb >= 0 ? "more" : "less"} ${interval(difference.lowDb, difference.highDb)}.`;
}

export const RECEIVER_LIMITS: readonly string[] = [
  "Half delivery is half of what is delivered to strong frames: collisions and lost datagrams are allowed for as losses at any level.",
  "A worse noise figure or a weaker antenna lowers every SNR and leaves delivery at an SNR as it was: look at the noise, and at the reference.",
  "An SNR that the gateway reports wrongly by a constant looks like a threshold moved by as much.",
  "The data sheet’s floor (SX1276, Table 13) names no delivery for it: half delivery may lie 1 dB to either side on a sound board (chosen, no source).",
  "The interval holds for fading that is about normal in dB, and for readings that stray by 0.3 to 0.9 dB.",
  "One node alone may stray by 0.4 dB: the interval allows for it, and narrows with more nodes.",
];
