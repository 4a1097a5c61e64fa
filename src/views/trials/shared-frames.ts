/**
 * What do the trials of one answer rest on together? The newest frames of the window, read once: who heard them, the
 * counters of each node, and when the network may have changed a node's power.
 */

import type { Reading } from "../../diagnosis/trials/verdict.ts";
import { groupBy } from "../../model/group-by.ts";
import { formatDevAddr } from "../../model/identifiers.ts";
import { type TimeRange, unite } from "../../model/time-range.ts";
import type { Store } from "../../store/open.ts";
import { allGateways, type GatewayRecord } from "../../store/queries/gateways.ts";
import { allLives, labels, storedSpanUs } from "../../store/queries/lives.ts";
import {
  antennaHeard,
  framesWithCommands,
  newestFrames,
  type TrialFrame,
  trialFrames,
} from "../../store/queries/trial-frames.ts";
import { decodeMacCommands } from "../../wire/lorawan/mac-commands.ts";
import { decodePhyPayload } from "../../wire/lorawan/phy-payload.ts";
import { reachOf } from "../reachability.ts";
import type { AskedWindow } from "../window.ts";
import { type Antenna, type CounterSent, countersOf, Readings, type Receiver } from "./sides.ts";

/** Frames of one trial: about a second of work. */
export const MAX_FRAMES = 60_000;
/** Nodes of one trial, those with most frames. */
const MAX_NODES = 100;

export class SharedFrames {
  /** The stretch that is compared: the newest frames of the window, up to what is known. */
  readonly all: TimeRange;
  readonly #store: Store;
  readonly #window: TimeRange;
  #frames: readonly TrialFrame[] | null = null;
  #nodes: readonly NodeCounters[] | null = null;
  #antennas: readonly Antenna[] | null = null;
  readonly #readings = new Map<string, readonly (readonly (Reading | null)[])[]>();
  readonly #unheardUs = new Map<number, readonly TimeRange[] | null>();
  readonly #powerChangesUs = new Map<number, readonly number[]>();

  constructor(store: Store, window: AskedWindow) {
    this.#store = store;
    this.#window = window;
    const { fromUs } = window;
    const stored = storedSpanUs(store);
    const toUs = window.live ? window.toUs : Math.min(window.toUs, (stored?.toUs ?? window.toUs) + 1);
    this.all = { fromUs: newestFrames(store, { fromUs, toUs }, MAX_FRAMES), toUs };
  }

  /** In order of time. */
  frames(): readonly TrialFrame[] {
    this.#frames ??= trialFrames(this.#store, this.all);
    return this.#frames;
  }

  nodes(): readonly NodeCounters[] {
    if (this.#nodes === null) {
      this.#nodes = nodesOf(this.#store, this.frames());
      // All that is asked from here on is asked of the counters.
      this.#frames = null;
    }
    return this.#nodes;
  }

  /** Antennas that heard any of the frames; of a gateway that heard none of them, one that heard another of the window. */
  antennas(): readonly Antenna[] {
    this.#antennas ??= this.#antennasHeard();
    return this.#antennas;
  }

  /** What a receiver read of each counter of each node, in their order; null: it did not hear it. */
  readingsOf(receiver: Receiver): readonly (readonly (Reading | null)[])[] {
    const key = `${receiver.gatewayId}/${receiver.antenna ?? ""}`;
    let readings = this.#readings.get(key);
    if (readings === undefined) {
      const all = new Readings(receiver);
      readings = this.nodes().map(({ counters }) => counters.map((counter) => all.of(counter)));
      this.#readings.set(key, readings);
    }
    return readings;
  }

  /** When a gateway was not there, unreachable, or not recorded; null: it is not known. */
  unheardUs(gatewayId: number): readonly TimeRange[] | null {
    let unheard = this.#unheardUs.get(gatewayId);
    if (unheard === undefined) {
      const gateway = allGateways(this.#store).find(({ id }) => id === gatewayId);
      unheard = gateway === undefined ? null : unheardOf(this.#store, gateway, this.all);
      this.#unheardUs.set(gatewayId, unheard);
    }
    return unheard;
  }

  powerChangesUs(lifeId: number): readonly number[] {
    let changes = this.#powerChangesUs.get(lifeId);
    if (changes === undefined) {
      changes = powerChangesUs(this.#store, lifeId, this.all);
      this.#powerChangesUs.set(lifeId, changes);
    }
    return changes;
  }

  #antennasHeard(): Antenna[] {
    const heard = new Map<number, Set<number>>();
    for (const { hearings } of this.frames())
      for (const { gatewayId, antenna } of hearings) {
        const own = heard.get(gatewayId);
        if (own === undefined) heard.set(gatewayId, new Set([antenna]));
        else own.add(antenna);
      }
    return allGateways(this.#store).flatMap(({ id, firstAtUs, lastAtUs }) => {
      const own = heard.get(id);
      if (own !== undefined)
        return [...own].sort((a, b) => a - b).map((antenna) => ({ gatewayId: id, antenna }));
      const { fromUs, toUs } = this.#window;
      const antenna =
        firstAtUs < toUs && lastAtUs >= fromUs ? antennaHeard(this.#store, id, this.#window) : null;
      return antenna === null ? [] : [{ gatewayId: id, antenna }];
    });
  }
}

function unheardOf(store: Store, gateway: GatewayRecord, all: TimeRange): TimeRange[] {
  const reach = reachOf(store, gateway, all, all.toUs);
  const absent = { fromUs: Number.NEGATIVE_INFINITY, toUs: reach.absentUntilUs };
  return unite([absent, ...reach.outages, ...reach.notRecorded]);
}

export interface NodeCounters {
  readonly devAddr: string;
  readonly name: string | null;
  readonly lifeIds: readonly number[];
  readonly counters: readonly CounterSent[];
}

/** Counters by node, over its lives, in order of time. */
function nodesOf(store: Store, frames: readonly TrialFrame[]): NodeCounters[] {
  const names = labels(store, "node");
  const addresses = new Map(allLives(store).map(({ id, devAddr }) => [id, devAddr]));
  const byLife = groupBy(frames, (frame) => frame.lifeId);
  const nodes = new Map<string, { lifeIds: number[]; counters: CounterSent[] }>();
  for (const [lifeId, own] of byLife) {
    const address = addresses.get(lifeId);
    if (address === undefined) continue;
    const devAddr = formatDevAddr(address);
    const node = nodes.get(devAddr) ?? { lifeIds: [], counters: [] };
    node.lifeIds.push(lifeId);
    node.counters.push(...countersOf(own));
    nodes.set(devAddr, node);
  }
  return [...nodes]
    .map(([devAddr, { lifeIds, counters }]) => ({
      devAddr,
      name: names.get(devAddr)?.name ?? null,
      lifeIds,
      counters: counters.sort((x, y) => x.atUs - y.atUs),
    }))
    .sort((x, y) => y.counters.length - x.counters.length || x.devAddr.localeCompare(y.devAddr))
    .slice(0, MAX_NODES);
}

// When may the network have changed a node's transmit power? When the node accepted a LinkADRReq.

/** Answers read of one life: a network that commands more often than this leaves nothing to compare. */
const MAX_READ = 300;

/**
 * Moments in order. LoRaWAN 1.0.3, section 5.2: the answer says which of power, data rate and channels were accepted, not
 * which changed, and the request itself went down unheard; so every accepted one counts. FOpts of 1.1 are encrypted, and
 * what does not read to its end as commands is left out.
 */
function powerChangesUs(store: Store, lifeId: number, window: TimeRange): number[] {
  return framesWithCommands(store, lifeId, window, MAX_READ)
    .flatMap(({ atUs, payload }) => (acceptsPower(payload) ? [atUs] : []))
    .reverse();
}

function acceptsPower(payload: Uint8Array): boolean {
  const decoded = decodePhyPayload(payload);
  if (!decoded.ok || !("fOpts" in decoded.value)) return false;
  const { commands, stop } = decodeMacCommands(decoded.value.fOpts, "up");
  if (stop !== null) return false;
  // When any part is refused the node changes nothing (LoRaWAN 1.0.3, section 5.2).
  return commands.some(
    ({ name, powerAck, dataRateAck, channelMaskAck }) =>
      name === "LinkADRAns" && powerAck === true && dataRateAck === true && channelMaskAck === true,
  );
}
