/** What is said of an event of a gateway: a summary that stands after its name, sentences, and what to do next. */

import { decibel, duration, figure, percentInWords, plural, withUnit } from "../../words/format.ts";

import type { DeafRadio, LossyTime } from "./deaf-radio.ts";
import type { CommonStep, WeakenedTime } from "./level-step.ts";

export interface EventText {
  readonly clause: string;
  readonly sentence: string;
  readonly advice: string;
}

/** A radio that heard nothing. `who`: the gateway's name. */
export function deafText(who: string, deaf: DeafRadio): EventText {
  const long = duration((deaf.toUs - deaf.fromUs) / 1e6);
  const { heardElsewhere, counter, isOpen } = deaf;
  const sentences = [
    `${who} ${isOpen ? "has heard" : "heard"} no packet for ${long}, while ${plural(deaf.sendersDue, "node")} ${deaf.sendersDue === 1 ? "was" : "were"} due (about ${plural(deaf.framesDue, "frame")}).`,
    `Its keepalives and ${plural(deaf.reports, "status report")} came; the reports count 0 packets.`,
    ...(heardElsewhere !== null && heardElsewhere > 0
      ? [`Another gateway heard ${plural(heardElsewhere, "frame")} of these nodes meanwhile.`]
      : []),
    ...(counter === "began-anew" ? ["It heard again after its concentrator's counter restarted."] : []),
    ...(counter === "stood" ? ["Its concentrator's counter stood still meanwhile."] : []),
  ];
  return {
    clause: `${isOpen ? "has heard" : "heard"} no packet for ${long} although nodes were due`,
    sentence: sentences.join(" "),
    advice: isOpen
      ? "Restart its forwarder: a radio that hangs hears again after it. If it hears nothing then, check antenna and board."
      : "If it happens again, check the concentrator's power supply and board, and let a watchdog restart the forwarder.",
  };
}

/** Everything that a gateway hears became weaker. `placement`: the name of one that begins at that moment. */
export function weakenedText(
  who: string,
  { fall, mended }: WeakenedTime,
  placement: string | null,
): EventText {
  const size = decibel(-fall.changeDb);
  return {
    clause: `${mended === null ? "hears" : "heard"} ${plural(fall.senders, "node")} ${size} weaker`,
    sentence: [
      `${who} ${mended === null ? "hears" : "heard"} ${plural(fall.senders, "node")} of ${figure(fall.compared)} weaker by ${size} (${decibel(-fall.highDb)} to ${decibel(-fall.lowDb)}), all at one moment.`,
      ...(fall.vanished > 0
        ? [
            `${plural(fall.vanished, "more node")} with less margin ${fall.vanished === 1 ? "is" : "are"} heard no longer.`,
          ]
        : []),
      witnessOf(fall),
      ...gainOf(fall),
      ...(mended === null ? [] : [`Then they rose again by ${decibel(mended.changeDb)}.`]),
      ...placementOf(placement),
    ].join(" "),
    advice:
      mended === null
        ? "Check antenna, cable, connectors and lightning arrester, then the gain settings. Work at height belongs to qualified people."
        : "Note what was changed when the level came back.",
  };
}

/** Everything that a gateway hears became stronger, and nothing in the window says that it had weakened. */
export function strengthenedText(who: string, rise: CommonStep, placement: string | null): EventText {
  const size = decibel(rise.changeDb);
  return {
    clause: `hears ${plural(rise.senders, "node")} ${size} stronger`,
    sentence: [
      `${who} hears ${plural(rise.senders, "node")} of ${figure(rise.compared)} stronger by ${size} (${decibel(rise.lowDb)} to ${decibel(rise.highDb)}), all at one moment.`,
      witnessOf(rise),
      ...gainOf(rise),
      ...placementOf(placement),
    ].join(" "),
    advice: "Add a mark or a placement that names what was changed then.",
  };
}

function witnessOf({ elsewhere }: CommonStep): string {
  return elsewhere === null
    ? "No other gateway hears enough of them to compare: the gateway is likelier than all nodes at once."
    : `Another gateway hears ${figure(elsewhere.senders)} of them as before (${decibel(elsewhere.changeDb)}).`;
}

/** A share of the step in the SNR below which the power alone moved. Chosen. */
const GAIN_SHARE = 0.3;

function gainOf({ changeDb, snrChangeDb }: CommonStep): string[] {
  return snrChangeDb !== null && Math.abs(snrChangeDb) < GAIN_SHARE * Math.abs(changeDb)
    ? ["Their SNR stayed: a gain or RSSI setting, not a loss."]
    : [];
}

function placementOf(placement: string | null): string[] {
  return placement === null
    ? []
    : [`At that moment the placement "${placement}" begins: a coincidence, or the reason.`];
}

export interface BackhaulCounts {
  /** Packets that status reports count as forwarded, and of them those that never arrived; null: not counted. */
  readonly forwarded: number | null;
  readonly missing: number | null;
  /** Share of acknowledgements that the gateway missed, 0 to 1; null: not reported. */
  readonly unacknowledged: number | null;
}

/** Datagrams lost on the way. `roundTrip`: what is known of it, or null. */
export function backhaulText(
  who: string,
  lossy: LossyTime,
  { forwarded, missing, unacknowledged }: BackhaulCounts,
  roundTrip: RoundTripFigures | null,
): EventText {
  return {
    clause: `${lossy.isOpen ? "loses" : "lost"} ${percentInWords(lossy.lostShare)} of its datagrams on the way`,
    sentence: [
      `${percentInWords(lossy.lostShare)} of the datagrams of ${who} ${lossy.isOpen ? "are" : "were"} lost on the way (${percentInWords(lossy.low)} to ${percentInWords(lossy.high)}).`,
      `${figure(lossy.came)} of ${figure(lossy.due)} keepalives arrived.`,
      ...(forwarded !== null && missing !== null && forwarded > 0
        ? [`It reports ${plural(forwarded, "packet")} forwarded; ${figure(missing)} of them never arrived.`]
        : []),
      ...(unacknowledged === null
        ? []
        : [`It missed ${percentInWords(unacknowledged)} of its acknowledgements.`]),
      ...(roundTrip === null ? [] : [roundTripSentence(roundTrip)]),
    ].join(" "),
    advice: "Check the link between gateway and listener: mobile signal, Wi-Fi, or an uplink that is full.",
  };
}

export interface RoundTripFigures {
  readonly medianMs: number;
  readonly p99Ms: number;
}

/** The timeout that a round trip needs: a quarter above what 99 of 100 take, in full 50 ms. Chosen. */
export function neededTimeoutMs({ p99Ms }: RoundTripFigures): number {
  return Math.ceil((1.25 * p99Ms) / 50) * 50;
}

function roundTripSentence(figures: RoundTripFigures): string {
  const ms = (value: number) => withUnit(value, 0, "ms");
  return `Acknowledgements take ${ms(figures.medianMs)} (median), 1 in 100 over ${ms(figures.p99Ms)}: set push_timeout_ms to ${neededTimeoutMs(figures)}.`;
}

/** Acknowledgements come, and too late for the gateway. `figures` null: only the gateway's own count says so. */
export function lateAcknowledgementText(
  who: string,
  figures: RoundTripFigures | null,
  unacknowledged: number | null,
): EventText {
  const share = unacknowledged === null ? null : percentInWords(unacknowledged);
  return {
    clause:
      figures === null
        ? `misses ${share ?? "some"} of its acknowledgements`
        : "gets acknowledgements too late",
    sentence: [
      ...(share === null
        ? []
        : [`${who} reports ${share} of its datagrams as not acknowledged; they arrive here.`]),
      figures === null
        ? "The round trip may be longer than its push_timeout_ms, or answers are lost on their way."
        : roundTripSentence(figures),
    ].join(" "),
    advice:
      "Raise push_timeout_ms in the gateway's configuration, then look at the share acknowledged again.",
  };
}
