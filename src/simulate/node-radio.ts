/**
 * With what does a synthetic node send? Channel, data rate and power of each transmission, and how they change: by the
 * network's commands, and by themselves when the network is not heard for long.
 */
import type { LoraModulation } from "../model/modulation.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { type ChannelChange, channelChangesOf, channelsAt } from "./effects.ts";
import { below, type Random } from "./random.ts";
import type { Node, Scenario } from "./scenario.ts";
import type { Life, Transmission } from "./transmission.ts";

// LoRaMac-node REGION_COMMON_DEFAULT_ADR_ACK_LIMIT and _DELAY.
const ADR_ACK_LIMIT = 64;
const ADR_ACK_DELAY = 32;

/** What a command of the network sets. */
export interface LinkSetting {
  readonly spreadingFactor: number;
  readonly powerDbm: number;
}

/** What is sent, and when it begins. */
export interface Burst {
  readonly startUs: number;
  readonly payload: Uint8Array;
  /** Null for a join-request, as its counter. */
  readonly life: Life | null;
  readonly counter: number | null;
  readonly repeat: number;
}

export class NodeRadio {
  readonly #node: Node;
  readonly #isStranger: boolean;
  readonly #choice: Random;
  readonly #crystalPpm: number;
  readonly #slowestFactor: number;
  readonly #channelChanges: readonly ChannelChange[];
  #modulation: LoraModulation;
  #powerDbm: number;
  /** Uplinks since the network was last heard. */
  #unanswered = 0;
  /** Channels left to use before any is used again, and of which set. */
  #unused: number[] = [];
  #unusedOf: readonly number[] = [];

  /** `slowestFactor`: the largest spreading factor of the region. */
  constructor(
    node: Node,
    isStranger: boolean,
    { events }: Scenario,
    choice: Random,
    { crystalPpm, slowestFactor }: { readonly crystalPpm: number; readonly slowestFactor: number },
  ) {
    this.#node = node;
    this.#isStranger = isStranger;
    this.#choice = choice;
    this.#crystalPpm = crystalPpm;
    this.#slowestFactor = slowestFactor;
    this.#channelChanges = channelChangesOf(events, { node: node.name });
    this.#powerDbm = node.transmitPowerDbm;
    this.#modulation = {
      kind: "lora",
      spreadingFactor: node.spreadingFactor,
      bandwidthHz: node.bandwidthHz,
      codingRate: "4/5",
    };
  }

  set({ spreadingFactor, powerDbm }: Partial<LinkSetting>): void {
    if (spreadingFactor !== undefined) this.#modulation = { ...this.#modulation, spreadingFactor };
    if (powerDbm !== undefined) this.#powerDbm = powerDbm;
  }

  /** The network was heard. */
  answered(): void {
    this.#unanswered = 0;
  }

  /**
   * Counts an uplink under ADR: after 64 without an answer one is asked for; 32 later the node raises its power, and every
   * 32 more its spreading factor. Whether this one asks.
   */
  countUnanswered(): boolean {
    this.#unanswered += 1;
    const over = this.#unanswered - ADR_ACK_LIMIT;
    if (over > 0 && over % ADR_ACK_DELAY === 0) this.#stepBack();
    return over >= 0;
  }

  #stepBack(): void {
    const { spreadingFactor } = this.#modulation;
    if (this.#powerDbm < this.#node.transmitPowerDbm) this.#powerDbm = this.#node.transmitPowerDbm;
    else if (spreadingFactor < this.#slowestFactor) this.set({ spreadingFactor: spreadingFactor + 1 });
  }

  transmission({ startUs, payload, life, counter, repeat }: Burst): Transmission {
    const airtimeUs = airtimeOfReception(this.#modulation, payload.length, "ok");
    return {
      nodeName: this.#node.name,
      isStranger: this.#isStranger,
      life,
      counter,
      repeat,
      startUs,
      endUs: startUs + airtimeUs,
      frequencyHz: this.#nextChannelHz(startUs),
      modulation: this.#modulation,
      payload,
      crystalPpm: this.#crystalPpm,
      powerDbm: this.#powerDbm,
    };
  }

  #nextChannelHz(atUs: number): number {
    const channelsHz = channelsAt(this.#node.channelsHz, this.#channelChanges, atUs);
    if (this.#node.hopping === "random") return channelsHz[below(this.#choice, channelsHz.length)] ?? 0;
    if (this.#unused.length === 0 || this.#unusedOf !== channelsHz) {
      this.#unused = [...channelsHz];
      this.#unusedOf = channelsHz;
    }
    return this.#unused.splice(below(this.#choice, this.#unused.length), 1)[0] ?? 0;
  }
}
