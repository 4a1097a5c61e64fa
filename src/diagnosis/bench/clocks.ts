/** Do the gateway's clocks run right: its time of day, and the counter that times every packet? */
import { type CounterDrift, halfWidthPpm, secondsNeeded } from "../../radio/counter-drift.ts";
import { median } from "../../statistics/robust.ts";
import { duration, plural, signed, signedWithUnit, withUnit } from "../../words/format.ts";

import { type Found, LIMITS } from "./limits.ts";

export interface GatewayClockEvidence {
  /** Of each status report, oldest first: its time minus arrival; null where it had no readable time. */
  readonly offsetsUs: readonly (number | null)[];
  /** The newest report's arrival, microseconds since 1970. */
  readonly newestAtUs: number | null;
}

const HALF_HOUR_S = 1800;
// GPS weeks are counted in 10 bits (IS-GPS-200, from memory): a receiver that rolls over dates back by 1024 weeks.
const GPS_ROLLOVER_S = 1024 * 7 * 86_400;
const EPOCH_SPAN_S = 40 * 86_400;
const GPS_EPOCH_S = 315_964_800;

/** The gateway's time of day against the clock that stamped its datagrams. */
export function judgeGatewayClock({ offsetsUs, newestAtUs }: GatewayClockEvidence): Found {
  if (offsetsUs.length === 0 || newestAtUs === null) {
    return {
      state: "waiting",
      reason: "Its time of day comes with its status reports; none came yet.",
      awaits: "a status report",
    };
  }
  // The newest tell how the clock stands now: at its start a gateway may not have had its time yet.
  const known = offsetsUs.slice(-10).filter((offset) => offset !== null);
  const middle = median(known);
  if (middle === null) {
    return {
      state: "warn",
      figure: "no time",
      reason: "Its status reports carry no readable time.",
      advice: "Nothing here depends on it; switch it on for logs that can be compared.",
    };
  }
  // A report is cut to whole seconds: half a second is the middle of what was cut off.
  const offset = middle / 1e6 + 0.5;
  const limits = LIMITS.gatewayClock;
  const found = { figure: offsetText(offset), value: offset, unit: "s" };
  const advice = "Give the gateway a time server that it can reach (NTP), or a GPS with a view of the sky.";
  const reported = newestAtUs / 1e6 + offset;
  if (reported < EPOCH_SPAN_S)
    return { ...found, state: "fail", reason: "Its clock stands in 1970: it was never set.", advice };
  if (Math.abs(reported - GPS_EPOCH_S) < EPOCH_SPAN_S)
    return {
      ...found,
      state: "fail",
      reason: "Its clock stands in January 1980, the begin of GPS time: the receiver has no fix.",
      advice,
    };
  if (Math.abs(Math.abs(offset) - GPS_ROLLOVER_S) < EPOCH_SPAN_S)
    return {
      ...found,
      state: "fail",
      reason: "Its clock is 1024 weeks off: an old GPS receiver took the week's number for another.",
      advice,
    };
  const size = Math.abs(offset);
  if (size <= limits.warnSeconds)
    return {
      ...found,
      state: "pass",
      reason: `It agrees to ${duration(Math.max(1, size))} with the clock that stamped its datagrams, as closely as whole seconds tell.`,
    };
  const side = offset > 0 ? "ahead of" : "behind";
  const hours = Math.round(size / HALF_HOUR_S) / 2;
  const isZone = hours >= 0.5 && hours <= 14 && Math.abs(size - hours * 3600) <= 60;
  const zone = isZone ? " By whole or half hours: it sends its local time as UTC." : "";
  return {
    ...found,
    state: size > limits.failSeconds ? "fail" : "warn",
    reason: `It is ${duration(size)} ${side} the clock that stamped its datagrams.${zone}`,
    advice: isZone ? "Set the gateway's time zone to UTC." : advice,
  };
}

function offsetText(seconds: number): string {
  if (Math.abs(seconds) < 120) return signedWithUnit(seconds, 1, "s");
  return `${seconds < 0 ? "\u2212" : "+"}${duration(Math.abs(seconds))}`;
}

/** Packets in a row that bear one count while time went on. */
export interface Standstill {
  readonly packets: number;
  readonly seconds: number;
  readonly tmstUs: number;
}

/**
 * `drift`: null where two counters in turn leave nothing to tell. `standstill`: the longest run of packets at one count;
 * null when the counter always moved.
 */
export function judgeCounterDrift(drift: CounterDrift | null, standstill: Standstill | null): Found {
  return standsStill(standstill) ?? counterClock(drift);
}

function standsStill(standstill: Standstill | null): Found | null {
  if (standstill === null || standstill.packets < LIMITS.counterDrift.standstillPackets) return null;
  const { packets, seconds, tmstUs } = standstill;
  return {
    state: "fail",
    figure: "stands still",
    reason: `${plural(packets, "packet")} over ${duration(seconds)} have the same count, ${tmstUs}: the concentrator's counter stands still.`,
    advice:
      "Restart the gateway with its power off for a moment; if it returns, check the board's seat, supply and reset line. Downlinks cannot be timed meanwhile.",
  };
}

function counterClock(drift: CounterDrift | null): Found {
  if (drift === null) {
    return {
      state: "waiting",
      reason: "Two counters in turn have no common drift: see the gateways under this identifier.",
    };
  }
  const { ppm, lowPpm, highPpm } = drift;
  const half = halfWidthPpm(drift);
  if (ppm === null || half === null || lowPpm === null || highPpm === null) {
    const needed = secondsNeeded(drift, 2);
    const more =
      needed === null
        ? "more packets, over half an hour or so"
        : `about ${duration(60 * Math.max(1, Math.round((needed - drift.spanSeconds) / 60)))} more of such traffic`;
    const far = half === null ? "" : ` (± ${withUnit(half, 0, "ppm")} so far)`;
    return {
      state: "waiting",
      reason: `Not enough yet to tell its drift${far}: it takes ${more}.`,
      awaits: more,
      awaitsSeconds: needed === null ? null : Math.max(60, needed - drift.spanSeconds),
    };
  }
  const limits = LIMITS.counterDrift;
  const found = {
    figure: `${signed(ppm)} ± ${withUnit(half, half < 0.1 ? 2 : 1, "ppm")}`,
    value: ppm,
    unit: "ppm",
  };
  const against =
    drift.against === "gateway-time" ? "the gateway's own GPS time" : "the clock that stamped its datagrams";
  const sentence = `Its counter runs ${withUnit(Math.abs(ppm), 1, "ppm")} ${ppm < 0 ? "slow" : "fast"} against ${against}, from ${plural(drift.readings, "packet")} in ${duration(drift.spanSeconds)}.`;
  const beyond = (limit: number) => lowPpm > limit || highPpm < -limit;
  if (beyond(limits.failPpm)) {
    return {
      ...found,
      state: "fail",
      reason: `${sentence} No sound oscillator deviates so far.`,
      advice:
        "Check this computer's time synchronisation first; if it is correct, have the concentrator replaced.",
    };
  }
  if (beyond(limits.warnPpm)) {
    return {
      ...found,
      state: "warn",
      reason: sentence,
      advice:
        "Check this computer's time synchronisation first; class B and fine timing need a counter within 10 ppm.",
    };
  }
  return { ...found, state: "pass", reason: sentence };
}

export interface RestartEvidence {
  /** Receptions whose counter was read; a restart shows only between two. */
  readonly readings: number;
  /** When the counter restarted, ISO 8601, oldest first. */
  readonly restarts: readonly string[];
  readonly windowSeconds: number;
  /** Two boards use the identifier: their counters in turn look like restarts. */
  readonly isTwoBoards: boolean;
}

/** How often the counter restarted. */
export function judgeRestarts({
  readings,
  restarts: times,
  windowSeconds,
  isTwoBoards,
}: RestartEvidence): Found {
  if (isTwoBoards)
    return {
      state: "waiting",
      reason: "Two boards use this identifier, so a restart of either cannot be seen: see Single gateway.",
    };
  const count = times.length;
  if (count === 0 && readings < 2) {
    return {
      state: "waiting",
      reason: "A restart shows between two packets; there are not two yet.",
      awaits: "two packets",
    };
  }
  const found = { figure: count === 0 ? "none" : `${count}`, value: count, unit: "restarts" };
  if (count === 0)
    return { ...found, state: "pass", reason: `Its counter ran through in ${duration(windowSeconds)}.` };
  const last = times.at(-1) ?? "";
  const sentence = `Its counter restarted ${count === 1 ? "once" : `${count} times`}, last at ${last.slice(0, 19)}Z.`;
  const every = median(stepsSeconds(times));
  if (count >= LIMITS.restarts.failCount) {
    return {
      ...found,
      state: "fail",
      reason: `${sentence}${every === null || every > LIMITS.restarts.loopSeconds ? "" : ` It restarts in a loop, about every ${duration(every)}.`}`,
      advice: "Look for a weak supply, heat, or a watchdog that restarts the forwarder; its log says which.",
    };
  }
  return {
    ...found,
    state: "warn",
    reason: sentence,
    advice: "If nobody restarted it then, look at its supply and its log.",
  };
}

function stepsSeconds(times: readonly string[]): number[] {
  const ms = times.map((time) => Date.parse(time));
  return ms.slice(1).map((at, i) => (at - (ms[i] ?? at)) / 1000);
}
