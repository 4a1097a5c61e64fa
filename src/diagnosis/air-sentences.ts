/** What do noise, collisions, demodulators and a gateway's own transmissions mean for the air? One plain sentence each. */

import type { AirtimeOfNode, ChannelRow, Sentence, SiteView } from "../contract/index.ts";
import type { LoudNoise } from "../contract/site.ts";
import type { CollisionExpectation } from "../radio/collisions.ts";
import { DEAF_SHARE_WARNING } from "../radio/occupancy.ts";
import {
  decibel,
  duration,
  figure,
  megahertz,
  percentInWords,
  plural,
  probability,
  withUnit,
} from "../words/format.ts";
import { type Part, text } from "./sentences.ts";

/** `strangersShare`: their part of the airtime of all nodes heard, 0 to 1; null: none was heard. */
export function airSentence(
  channels: readonly ChannelRow[],
  strangersShare: number | null,
  airtime: readonly Pick<AirtimeOfNode, "devAddr" | "standing" | "dwell">[] = [],
): Sentence {
  const busiest = busiestOf(channels);
  if (busiest === undefined) return [text("Nothing was on the air in this window.")];
  const loud = channels.flatMap(({ frequencyHz, gatewayName, gatewayEui, noiseTrend }) =>
    noiseTrend.loud === null
      ? []
      : [{ frequencyHz, gatewayTitle: gatewayName ?? gatewayEui, loud: noiseTrend.loud }],
  );
  const event = loudestClause(loud, new Set(channels.map(({ gatewayEui }) => gatewayEui)).size);
  const parts: Part[] = [
    text(
      event ??
        `The busiest channel, ${megahertz(busiest.frequencyHz)} at ${busiest.gatewayName ?? busiest.gatewayEui}, was busy ${percentInWords(busiest.utilisation)} of the time`,
    ),
  ];
  if (strangersShare !== null)
    parts.push(text(`; strangers made ${percentInWords(strangersShare)} of the airtime of all nodes heard`));
  const over = new Set(
    airtime
      .filter(({ standing, dwell }) => standing === "bad" || dwell?.standing === "bad")
      .map((one) => one.devAddr),
  );
  if (over.size > 0)
    parts.push(text(`; ${plural(over.size, "node")} spent more airtime than the table allows`));
  parts.push(text("."));
  return parts;
}

/** What a line about the air rests on. */
type ChannelLoad = Pick<ChannelRow, "gatewayEui" | "frequencyHz" | "utilisation" | "receptions" | "crcBad">;

/** The air at one gateway in a line. */
export function airLine(
  gatewayEui: string,
  gatewayName: string | null,
  channels: readonly ChannelLoad[],
  lanes: SiteView["score"]["noise"] = [],
): SiteView["air"][number] {
  const own = channels.filter((channel) => channel.gatewayEui === gatewayEui);
  const busiest = busiestOf(own);
  if (busiest === undefined) {
    return {
      gatewayEui,
      gatewayName,
      words: "nothing heard",
      busiestFrequencyHz: null,
      busiestUtilisation: null,
    };
  }
  const receptions = own.reduce((sum, channel) => sum + channel.receptions, 0);
  const bad = own.reduce((sum, channel) => sum + channel.crcBad, 0);
  const broken = bad === 0 ? "" : `, ${percentInWords(bad / receptions)} with a wrong CRC`;
  // Loudest first: the first one of this gateway is its event.
  const loudest = lanes.find((lane) => lane.gatewayEui === gatewayEui);
  const loud = loudest === undefined ? "" : `${megahertz(loudest.frequencyHz)} ${loudWords(loudest.loud)}; `;
  return {
    gatewayEui,
    gatewayName,
    words: `${loud}${plural(own.length, "channel")} heard, busiest ${megahertz(busiest.frequencyHz)} at ${percentInWords(busiest.utilisation)}${broken}`,
    busiestFrequencyHz: busiest.frequencyHz,
    busiestUtilisation: busiest.utilisation,
  };
}

function busiestOf<Load extends ChannelLoad>(channels: readonly Load[]): Load | undefined {
  return [...channels].sort((a, b) => b.utilisation - a.utilisation || a.frequencyHz - b.frequencyHz)[0];
}

export interface NoiseEvidence {
  readonly verdict: "rises" | "falls" | "steady" | "not enough";
  readonly trust: "good" | "rough" | "none";
  /** Stretches of time that tell the noise, and how many a trend needs. */
  readonly filled: number;
  readonly needed: number;
  /** The loudest stretch above the median one. */
  readonly loudestDb: number | null;
  readonly changeDb: number | null;
  readonly p: number | null;
  readonly loud: LoudNoise | null;
}

/** "16.2 dB louder for 1 h 15 min", "12.0 dB louder for 40 min so far"; the time is what was seen of it. */
export function loudWords({ from, to, beginSeen, endSeen, riseDb }: LoudNoise): string {
  const seconds = Math.round((Date.parse(to) - Date.parse(from)) / 60_000) * 60;
  const open = endSeen ? "" : " so far";
  return `${figure(riseDb, 1)}\u202FdB louder for ${beginSeen ? "" : "at least "}${duration(seconds)}${open}`;
}

/** What is said of the noise of one channel at one gateway. */
interface LoudChannel {
  readonly frequencyHz: number;
  readonly gatewayTitle: string;
  readonly loud: LoudNoise;
}

/**
 * Returns the event of the window in a clause: "868.3 MHz was 16.2 dB louder for 1 h 15 min at 2 gateways"; of several
 * channels the one that rose most. Null where no channel was loud.
 */
export function loudestClause(channels: readonly LoudChannel[], ofGateways: number): string | null {
  const [worst] = [...channels].sort((a, b) => b.loud.riseDb - a.loud.riseDb);
  if (worst === undefined) return null;
  const at = channels.filter(({ frequencyHz }) => frequencyHz === worst.frequencyHz);
  const others = new Set(channels.map(({ frequencyHz }) => frequencyHz)).size - 1;
  const where =
    at.length === 1
      ? worst.gatewayTitle
      : at.length === ofGateways && ofGateways === 2
        ? "both gateways"
        : plural(at.length, "gateway");
  const more = others === 0 ? "" : `, ${plural(others, "more channel")} less so`;
  return `${megahertz(worst.frequencyHz)} was ${loudWords(worst.loud)} at ${where}${more}`;
}

/** Noise so far above its median is worth a word. Common practice, no source: 6 dB is severe. */
const LOUD_DB = 6;

/** "Rises by 6.2 dB (p 0.0004)." */
export function noiseWords(evidence: NoiseEvidence): string {
  const { verdict, trust, filled, needed, changeDb, p, loudestDb } = evidence;
  const isLoud = loudestDb !== null && loudestDb >= LOUD_DB;
  const loud =
    evidence.loud !== null
      ? ` ${loudWords(evidence.loud)}.`
      : isLoud
        ? ` At its loudest ${decibel(loudestDb)} above its median.`
        : "";
  if (verdict === "not enough" || changeDb === null) {
    return `Not enough to say: ${filled} of ${needed} stretches have enough weak frames.${loud}`;
  }
  const rough =
    trust === "rough" ? " Rough: from frames up to 5\u202FdB SNR, as weaker ones are too few." : "";
  const chance = p === null ? "" : ` (p ${probability(p)})`;
  const size = decibel(Math.abs(changeDb));
  if (verdict === "steady" && evidence.loud !== null) {
    return `${loudWords(evidence.loud)}; otherwise steady.${rough}`;
  }
  if (verdict === "steady") {
    return `Steady: ${/[1-9]/.test(size) ? (changeDb < 0 ? "\u2212" : "+") : ""}${size} over the window${chance}, within chance or under 3\u202FdB.${loud}${rough}`;
  }
  return `${verdict === "rises" ? "Rises" : "Falls"} by ${size} over the window${chance}.${loud}${rough}`;
}

export type CollisionEvidence = Pick<CollisionExpectation, "aloha" | "captureTheory" | "captureMeasured">;

/** What to expect over all channels of a gateway; null: nothing was heard. */
export function collisionWords(expected: CollisionEvidence | null): string {
  if (expected === null) return "Nothing was heard, so nothing can be expected.";
  const { aloha, captureTheory, captureMeasured } = expected;
  const plain = `By ALOHA ${percentInWords(aloha)} of the frames should be spoilt by others`;
  if (captureTheory === null || captureMeasured === null) {
    return `${plain}; too few levels to say what capture makes of it.`;
  }
  const [low, high] = [Math.min(captureTheory, captureMeasured), Math.max(captureTheory, captureMeasured)];
  const range =
    percentInWords(low) === percentInWords(high)
      ? percentInWords(low)
      : `${percentInWords(low)} to ${percentInWords(high)}`;
  return `${plain}; ${range} where the stronger one survives and other spreading factors disturb too.`;
}

export interface DemodulatorEvidence {
  readonly busiestErlang: number;
  readonly blockedOf8: number;
  readonly blockedOf16: number;
}

/** Chance of finding all demodulators busy from which it is worth a word: 1 %, the customary design value. Common practice, no source. */
export const BLOCKING_MATTERS = 0.01;

export function demodulatorWords({ busiestErlang, blockedOf8, blockedOf16 }: DemodulatorEvidence): string {
  const demand = `${withUnit(busiestErlang, 2, "E")} in the busiest stretch`;
  if (blockedOf8 < BLOCKING_MATTERS) {
    return `Demodulators are no bottleneck: ${demand}, all of 8 busy for ${percentInWords(blockedOf8)} of the frames.`;
  }
  return `Demodulators may run out: ${demand}; ${percentInWords(blockedOf8)} of the frames find all of 8 busy, ${percentInWords(blockedOf16)} all of 16 (of which 8 do not reach SF11 and SF12).`;
}

export interface DeafEvidence {
  readonly visible: boolean;
  readonly sent: number;
  readonly refused: number;
  readonly seconds: number;
  readonly share: number;
  readonly spoiltShare: number | null;
  /** By the gateway's own status reports; null: none tells. */
  readonly reportedSent: number | null;
}

export function deafWords(evidence: DeafEvidence): string {
  const { visible, sent, refused, seconds, share, spoiltShare, reportedSent } = evidence;
  if (!visible) {
    if (reportedSent === null) return "Not visible here: no downlink of this gateway passes this machine.";
    if (reportedSent === 0) return "Its status reports say that it sent nothing.";
    return `Its status reports count ${plural(reportedSent, "frame")} sent; how long each lasted is not visible here.`;
  }
  const frames = sent === 1 ? "1 downlink" : `${figure(sent)} downlinks`;
  const not = refused === 0 ? "" : `, ${refused} more refused by the gateway`;
  const spoilt =
    spoiltShare === null ? "" : `, which can cost up to ${percentInWords(spoiltShare)} of the frames`;
  const much = share > DEAF_SHARE_WARNING ? " That is much." : "";
  return `Deaf for ${withUnit(seconds, 1, "s")} (${percentInWords(share)}) by ${frames}${not}${spoilt}.${much}`;
}
