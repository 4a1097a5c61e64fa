/**
 * What does each event do to gateways, nodes and paths? Events say what befalls a site in a person's words; actors ask
 * here, in terms of stretches, losses and decibels, so that no actor knows the kinds of events.
 */
import type { Eui } from "../model/identifiers.ts";
import type { TimeRange } from "../model/time-range.ts";
import { eventsOf, type ScenarioEvent } from "./events.ts";

type Events = readonly ScenarioEvent[];

const stretchOf = ({ from, to }: { readonly from: number; readonly to: number }): TimeRange => ({
  fromUs: from,
  toUs: to,
});

/** Stretches in which a gateway has no power or restarts; its counter restarts at their ends. */
export function powerOutagesOf(events: Events, eui: Eui): TimeRange[] {
  return [
    ...eventsOf(events, "gateway-power-outage")
      .filter(({ gateway }) => gateway === eui)
      .map(stretchOf),
    ...eventsOf(events, "gateway-restarted")
      .filter(({ gateway }) => gateway === eui)
      .map(({ at, seconds }) => restartAt(at, seconds)),
    ...eventsOf(events, "gateway-deaf")
      .filter(({ gateway, restartSeconds }) => gateway === eui && restartSeconds > 0)
      .map(({ to, restartSeconds }) => restartAt(to, restartSeconds)),
    ...eventsOf(events, "channel-mismatch")
      .filter(({ gateway, restartSeconds }) => gateway === eui && restartSeconds > 0)
      .flatMap(({ from, to, restartSeconds }) => [
        restartAt(from, restartSeconds),
        restartAt(to, restartSeconds),
      ]),
  ].sort((a, b) => a.fromUs - b.fromUs);
}

const restartAt = (atUs: number, seconds: number): TimeRange => ({
  fromUs: atUs,
  toUs: atUs + Math.round(seconds * 1e6),
});

export interface DeafTime extends TimeRange {
  /** The concentrator's counter stands still meanwhile. */
  readonly counterStands: boolean;
}

/** Stretches in which a gateway's radio hears nothing, in order of time. */
export function deafTimesOf(events: Events, eui: Eui): DeafTime[] {
  return eventsOf(events, "gateway-deaf")
    .filter(({ gateway }) => gateway === eui)
    .map((event) => ({ ...stretchOf(event), counterStands: event.counterStands }))
    .sort((a, b) => a.fromUs - b.fromUs);
}

/** Stretches in which nothing from a gateway reaches the listener. */
export function backhaulOutagesOf(events: Events, eui: Eui): TimeRange[] {
  return [
    ...eventsOf(events, "gateway-backhaul-outage"),
    ...eventsOf(events, "gateway-unreachable").filter(({ lossShare }) => lossShare === 1),
  ]
    .filter(({ gateway }) => gateway === eui)
    .map(stretchOf)
    .sort((a, b) => a.fromUs - b.fromUs);
}

export interface PathLoss extends TimeRange {
  readonly lossShare: number;
  /** Mean length of a burst; 0: each datagram by itself. */
  readonly burstUs: number;
}

/** Stretches in which a gateway's datagrams are lost in part. */
export function pathLossesOf(events: Events, eui: Eui): PathLoss[] {
  return [...eventsOf(events, "gateway-unreachable"), ...eventsOf(events, "backhaul-loss")]
    .filter(({ gateway, lossShare }) => gateway === eui && lossShare < 1)
    .map((event) => ({
      ...stretchOf(event),
      lossShare: event.lossShare,
      burstUs: Math.round(event.burstSeconds * 1e6),
    }));
}

/** A change of level on a path: reached after `riseUs`, left in `fallUs` at the end. */
export interface LevelChange extends TimeRange {
  readonly changeDb: number;
  readonly riseUs: number;
  readonly fallUs: number;
}

/** What changes the level between a node and a gateway. */
export function levelChangesOf(events: Events, node: string, eui: Eui): LevelChange[] {
  const concerns = (event: { readonly node?: string | undefined; readonly gateway?: Eui | undefined }) =>
    (event.node === undefined || event.node === node) &&
    (event.gateway === undefined || event.gateway === eui);
  return [
    ...eventsOf(events, "fading-link")
      .filter(concerns)
      .map(({ from, to, until, changeDb }) => ({
        fromUs: from,
        toUs: until ?? Number.POSITIVE_INFINITY,
        changeDb,
        riseUs: to - from,
        fallUs: 0,
      })),
    ...eventsOf(events, "weak-link")
      .filter(concerns)
      .map((event) => ({
        ...stretchOf(event),
        changeDb: -event.lossDb,
        riseUs: Math.round(event.rampSeconds * 1e6),
        fallUs: Math.round(event.rampSeconds * 1e6),
      })),
    ...weakenedTimesOf(events, eui),
  ];
}

/** What changes the level of everything that one gateway hears. */
export function weakenedTimesOf(events: Events, eui: Eui): LevelChange[] {
  return eventsOf(events, "gateway-weakened")
    .filter(({ gateway }) => gateway === eui)
    .map((event) => ({ ...stretchOf(event), changeDb: -event.lossDb, riseUs: 0, fallUs: 0 }));
}

/** The change at a moment, dB. */
export function levelAt({ fromUs, toUs, changeDb, riseUs, fallUs }: LevelChange, atUs: number): number {
  if (atUs < fromUs || atUs >= toUs) return 0;
  const risen = riseUs === 0 ? 1 : Math.min(1, (atUs - fromUs) / riseUs);
  const left = fallUs === 0 ? 1 : Math.min(1, (toUs - atUs) / fallUs);
  return changeDb * Math.min(risen, left);
}

export interface NoiseRise extends TimeRange {
  /** Null: all channels. */
  readonly frequenciesHz: readonly number[] | null;
  readonly riseDb: number;
  /** Null: all the time. */
  readonly periodUs: number | null;
  readonly onShare: number;
}

/** What raises the noise at a gateway. */
export function noiseRisesOf(events: Events, eui: Eui): NoiseRise[] {
  const concerns = ({ gateway }: { readonly gateway?: Eui | undefined }) =>
    gateway === undefined || gateway === eui;
  return [
    ...eventsOf(events, "interferer")
      .filter(concerns)
      .map((event) => ({
        ...stretchOf(event),
        frequenciesHz: [event.frequencyHz],
        riseDb: event.noiseRiseDb,
        periodUs: null,
        onShare: 1,
      })),
    ...eventsOf(events, "interference")
      .filter(concerns)
      .map((event) => ({
        ...stretchOf(event),
        frequenciesHz: event.frequenciesHz ?? null,
        riseDb: event.noiseRiseDb,
        periodUs: event.periodSeconds === undefined ? null : Math.round(event.periodSeconds * 1e6),
        onShare: event.onShare,
      })),
  ];
}

/** Whether a rise is on at any moment of a transmission. */
export function isNoisy(rise: NoiseRise, frequencyHz: number, startUs: number, endUs: number): boolean {
  if (rise.frequenciesHz !== null && !rise.frequenciesHz.includes(frequencyHz)) return false;
  const from = Math.max(startUs, rise.fromUs);
  const to = Math.min(endUs, rise.toUs - 1);
  if (from > to) return false;
  if (rise.periodUs === null) return true;
  const phase = (from - rise.fromUs) % rise.periodUs;
  return phase < rise.onShare * rise.periodUs || phase + (to - from) >= rise.periodUs;
}

/** Stretches in which a node sends nothing and its counter stands still. */
export function silencesOf(events: Events, node: string): TimeRange[] {
  return eventsOf(events, "node-silent")
    .filter((event) => event.node === node)
    .map(stretchOf);
}

/** Restarts of a node: when, and for how long it is silent (null: it comes back within 4 s). */
export function restartsOf(
  events: Events,
  node: string,
): { readonly atUs: number; readonly silentUs: number | null }[] {
  return [
    ...eventsOf(events, "node-reset")
      .filter((event) => event.node === node)
      .map(({ at }) => ({ atUs: at, silentUs: null })),
    ...eventsOf(events, "node-restarted")
      .filter((event) => event.node === node)
      .map(({ at, silentSeconds }) => ({ atUs: at, silentUs: Math.round(silentSeconds * 1e6) })),
  ];
}

export interface ChannelChange extends TimeRange {
  readonly channelsHz: readonly number[];
}

/** Other channels that a node or a gateway uses for a while. */
export function channelChangesOf(
  events: Events,
  who: { readonly node: string } | { readonly gateway: Eui },
): ChannelChange[] {
  return eventsOf(events, "channel-mismatch")
    .filter((event) => ("node" in who ? event.node === who.node : event.gateway === who.gateway))
    .map((event) => ({ ...stretchOf(event), channelsHz: event.channelsHz }));
}

/** The channels at a moment. */
export function channelsAt(
  usual: readonly number[],
  changes: readonly ChannelChange[],
  atUs: number,
): readonly number[] {
  return changes.find(({ fromUs, toUs }) => atUs >= fromUs && atUs < toUs)?.channelsHz ?? usual;
}
