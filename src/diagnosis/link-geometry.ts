/** What does the way itself cost, beyond free space, and on which power does that rest? */
import type { LinkGeometry } from "../contract/link.ts";
import { excessLossDb, freeSpaceLossDb } from "../radio/geometry.ts";
import { median } from "../statistics/robust.ts";
import { withUnit } from "../words/format.ts";
import { type LinkFrame, powerSeries } from "./link-frame.ts";

export interface GeometryEvidence {
  readonly frames: readonly LinkFrame[];
  readonly distanceM: number;
  /** As a person said; null: not said. */
  readonly eirpDbm: number | null;
  /** The most that the gateway's recognised region allows; null: no region. */
  readonly regionEirpDbm: number | null;
  readonly regionName: string | null;
  readonly antennaGainDbi: number | null;
}

/** null when no frame names its frequency. */
export function geometryOf(evidence: GeometryEvidence): LinkGeometry | null {
  const { frames, distanceM, regionEirpDbm } = evidence;
  const frequencyHz = median(frames.flatMap((frame) => frame.frequencyHz ?? []));
  if (frequencyHz === null || !(distanceM > 0)) return null;
  const signalPowerDbm = median(powerSeries(frames).map(({ value }) => value));
  const eirpDbm = evidence.eirpDbm ?? regionEirpDbm;
  const eirpFrom = evidence.eirpDbm !== null ? "given" : regionEirpDbm !== null ? "region" : null;
  const gain = evidence.antennaGainDbi ?? 0;
  const freeSpaceDb = freeSpaceLossDb(distanceM, frequencyHz);
  const known = signalPowerDbm !== null && eirpDbm !== null;
  const excessDb = known
    ? excessLossDb(
        { transmitPowerDbm: eirpDbm, antennaGainsDbi: gain, signalPowerDbm },
        distanceM,
        frequencyHz,
      )
    : null;
  const round = (value: number | null) => (value === null ? null : Math.round(value * 10) / 10);
  return {
    distanceM: Math.round(distanceM * 10) / 10,
    frequencyHz,
    eirpDbm,
    eirpFrom,
    antennaGainDbi: gain,
    antennaGainGiven: evidence.antennaGainDbi !== null,
    signalPowerDbm: round(signalPowerDbm),
    freeSpaceLossDb: Math.round(freeSpaceDb * 10) / 10,
    pathLossDb: excessDb === null ? null : round(excessDb + freeSpaceDb),
    excessDb: round(excessDb),
    words: wordsOf(distanceM, freeSpaceDb, excessDb, evidence, eirpFrom),
  };
}

function wordsOf(
  distanceM: number,
  freeSpaceDb: number,
  excessDb: number | null,
  { eirpDbm, regionEirpDbm, regionName, antennaGainDbi }: GeometryEvidence,
  eirpFrom: LinkGeometry["eirpFrom"],
): string {
  const way = `${distanceWords(distanceM)}, free space ${withUnit(freeSpaceDb, 0, "dB")}`;
  if (excessDb === null) {
    const why = eirpFrom === null ? "no power sent is known: give its EIRP" : "no signal power was reported";
    return `${way}; the excess is not known, ${why}.`;
  }
  const power =
    eirpFrom === "given"
      ? `${withUnit(eirpDbm ?? 0, 0, "dBm")} EIRP as given`
      : `${withUnit(regionEirpDbm ?? 0, 0, "dBm")} EIRP, the most of ${regionName ?? "its region"}, assumed, as none was entered`;
  const gain =
    antennaGainDbi === null
      ? "0\u202FdBi at the gateway assumed"
      : `${withUnit(antennaGainDbi, 1, "dBi")} at the gateway`;
  const size = `${withUnit(Math.abs(excessDb), 0, "dB")} ${excessDb < 0 ? "less than free space, which points to RSSI or power being off" : "beyond it"}`;
  return `${way}, and ${size} (${power}; ${gain}).`;
}

/** "840 m", "2.41 km" */
export function distanceWords(distanceM: number): string {
  return distanceM < 1000 ? withUnit(distanceM, 0, "m") : withUnit(distanceM / 1000, 2, "km");
}

/** To be shown wherever a place for an antenna is spoken of. */
export const PLACEMENT_CAUTION =
  "Work at height, lightning protection and mains earthing belong to qualified people; local rules prevail.";
