/** Are the levels believable, and is the place quiet enough to hear? */
import { type NoiseFloor, thermalNoiseDbm } from "../../radio/noise.ts";
import { median, quantile } from "../../statistics/robust.ts";
import {
  dbm,
  decibel,
  listed,
  megahertzFigure,
  percentInWords,
  plural,
  signedDb,
} from "../../words/format.ts";

import { type Found, LIMITS } from "./limits.ts";

export interface LevelEvidence {
  /** Newest packets with a right CRC; levels as the gateway gave them. */
  readonly packets: readonly { readonly rssiDbm: number | null; readonly snrDb: number | null }[];
  /** Weak copies of strong packets on other channels, and all packets of the window. */
  readonly ghosts: number;
  readonly all: number;
}

/** Whether a node stands so close that it drives the receiver into overload. */
export function judgeOverload({ packets, ghosts, all }: LevelEvidence): Found {
  const limits = LIMITS.overload;
  const levels = packets.flatMap(({ rssiDbm }) => (rssiDbm === null ? [] : [rssiDbm]));
  // The strongest but for one in twenty: a single wild value is no node.
  const strongest = quantile(levels, 0.95);
  if (strongest === null) {
    return { state: "waiting", reason: "No packet with a level came yet.", awaits: "packets with levels" };
  }
  const found = { figure: dbm(strongest), value: strongest, unit: "dBm" };
  const ghostText =
    ghosts === 0
      ? ""
      : ` ${plural(ghosts, "weak copy", "weak copies")} of strong packets came on other channels and were not counted.`;
  const advice = "Take the test node some metres away, or put an attenuator or a wall between.";
  if (all > 0 && ghosts / all >= limits.failGhosts) {
    return {
      ...found,
      state: "fail",
      reason: `The receiver is overloaded: ${percentInWords(ghosts / all)} of what it delivered are copies.${ghostText}`,
      advice,
    };
  }
  if (strongest > limits.failDbm) {
    return {
      ...found,
      state: "fail",
      reason: `The strongest packets come with ${dbm(strongest)}, above the ${dbm(limits.failDbm)} that the receiver's input takes: it may be damaged.${ghostText}`,
      advice: `${advice} Check the sensitivity with a weak node afterwards.`,
    };
  }
  if (strongest > limits.warnDbm || ghosts > 0) {
    return {
      ...found,
      state: "warn",
      reason: `The strongest packets come with ${dbm(strongest)}.${ghostText}`,
      advice,
    };
  }
  return {
    ...found,
    state: "pass",
    reason: `The strongest packets come with ${dbm(strongest)}, within the receiver's range.`,
  };
}

/** Whether levels vary as measured ones do, and the SNR is not at its stop. */
export function judgeLevels({ packets }: LevelEvidence): Found {
  const limits = LIMITS.levels;
  const rssi = packets.flatMap(({ rssiDbm }) => (rssiDbm === null ? [] : [rssiDbm]));
  const snr = packets.flatMap(({ snrDb }) => (snrDb === null ? [] : [snrDb]));
  const middle = median(rssi);
  const count = Math.min(rssi.length, snr.length);
  if (middle === null || count < limits.leastPackets) {
    return {
      state: "waiting",
      figure: middle === null ? "–" : dbm(middle),
      reason: `${plural(count, "packet")} with RSSI and SNR of ${limits.leastPackets} that are needed.`,
      awaits: `${limits.leastPackets} packets with levels`,
    };
  }
  const snrMiddle = median(snr) ?? 0;
  const found = { figure: `${dbm(middle)}, ${decibel(snrMiddle)}`, value: middle, unit: "dBm" };
  const isStuck = (values: readonly number[]) => values.every((value) => value === values[0]);
  if (isStuck(rssi) || isStuck(snr)) {
    const which = isStuck(rssi) ? (isStuck(snr) ? "RSSI and SNR are" : "RSSI is") : "SNR is";
    return {
      ...found,
      state: "fail",
      reason: `${which} the same in all of ${plural(count, "packet")}: that is not measured.`,
      advice:
        "Look for a fixed value in the forwarder, or for a simulator; levels of this gateway tell nothing.",
    };
  }
  const saturated = snr.filter((value) => value >= limits.saturatedDb).length / snr.length;
  if (saturated >= limits.saturatedShare) {
    return {
      ...found,
      state: "warn",
      reason: `${percentInWords(saturated)} of the packets have an SNR of 10\u202FdB or more, where its estimate stops rising: margin and noise cannot be measured.`,
      advice: "Take the test node further away, behind a wall or two.",
    };
  }
  return {
    ...found,
    state: "pass",
    reason: `Median of ${plural(count, "packet")}; they vary as measured levels do.`,
  };
}

export interface NoiseChannel {
  readonly frequencyHz: number;
  readonly bandwidthHz: number;
  readonly floor: NoiseFloor;
}

/** The noise of each channel against that of a good receiver. */
export function judgeNoise(channels: readonly NoiseChannel[]): Found {
  const limits = LIMITS.noise;
  const measured = channels.flatMap(({ frequencyHz, bandwidthHz, floor }) =>
    floor.noiseDbm === null
      ? []
      : [
          {
            frequencyHz,
            noiseDbm: floor.noiseDbm,
            above: floor.noiseDbm - thermalNoiseDbm(bandwidthHz, limits.noiseFigureDb),
            rough: floor.trust === "rough",
          },
        ],
  );
  const worst = measured.reduce(
    (a, b) => (a === null || b.above > a.above ? b : a),
    null as (typeof measured)[number] | null,
  );
  const middle = median(measured.map(({ above }) => above));
  if (worst === null || middle === null) {
    const most = Math.max(0, ...channels.map(({ floor }) => floor.sampleCount));
    return {
      state: "waiting",
      reason: `Only packets near or below the noise (SNR up to 5\u202FdB) tell it, 20 a channel; the best channel has ${most}.`,
      awaits: "weak packets: let a node send from far away",
    };
  }
  const found = {
    figure: `${dbm(worst.noiseDbm)}, ${signedDb(worst.above)}`,
    value: worst.above,
    unit: "dB",
  };
  const rough = measured.every((one) => one.rough) ? " Rough: too few packets below 0\u202FdB SNR." : "";
  const list = `${listed(measured.map((one) => `${megahertzFigure(one.frequencyHz)}\u202FMHz ${dbm(one.noiseDbm)}`))}.${rough}`;
  const lowestAbove = Math.min(...measured.map(({ above }) => above));
  const isAlike = measured.length > 1 && worst.above - lowestAbove <= limits.warnApartDb;
  const isLoud = worst.above > limits.warnAboveDb;
  const place =
    isLoud && isAlike
      ? ` Alike on all ${measured.length} channels, within ${decibel(worst.above - lowestAbove)}: the noise is local.`
      : "";
  const reason = `Loudest at ${megahertzFigure(worst.frequencyHz)}\u202FMHz: ${signedDb(worst.above)} against a good receiver in a quiet place.${place} ${list}`;
  const advice = isAlike
    ? "Look for the source beside the antenna: power supplies, computers, LED lights, the gateway's own supply. Switch them off one by one, or move the antenna."
    : "Look for a transmitter on that channel, and move the antenna away from it.";
  if (worst.above > limits.failAboveDb) return { ...found, state: "fail", reason, advice };
  if (
    worst.above > limits.warnAboveDb ||
    (measured.length > 2 && worst.above - middle > limits.warnApartDb)
  ) {
    return { ...found, state: "warn", reason, advice };
  }
  // Colder than a resistor at room temperature, no receiver can be.
  const lowest = lowestAbove;
  if (lowest < -limits.noiseFigureDb - limits.warnBelowDb) {
    return {
      ...found,
      value: lowest,
      figure: signedDb(lowest),
      state: "warn",
      reason: `The noise would lie below that of any resistor: this gateway's levels are offset. ${list}`,
      advice: "Set the RSSI offset of its board in the forwarder; compare gateways by SNR, not by RSSI.",
    };
  }
  return { ...found, state: "pass", reason };
}
