/**
 * How long was each channel busy with what reached the listener? Sum and union of true times on the air.
 */
import type { Eui } from "../model/identifiers.ts";
import type { Transmission } from "./transmission.ts";
import type { TruthChannel } from "./truth-schema.ts";

/** Counts receptions and keeps the transmissions heard, per channel and gateway. */
export class Load {
  readonly #channels = new Map<number, Map<Eui, { receptions: number; transmissions: Set<Transmission> }>>();

  add(eui: Eui, transmission: Transmission, receptions: number): void {
    const gateways = this.#channels.get(transmission.frequencyHz) ?? new Map();
    this.#channels.set(transmission.frequencyHz, gateways);
    const load = gateways.get(eui) ?? { receptions: 0, transmissions: new Set<Transmission>() };
    gateways.set(eui, load);
    load.receptions += receptions;
    load.transmissions.add(transmission);
  }

  /** Channels in order of frequency; gateways in the order given. */
  channels(euis: readonly Eui[]): TruthChannel[] {
    return [...this.#channels]
      .sort(([a], [b]) => a - b)
      .map(([frequencyHz, gateways]) => ({
        frequencyHz,
        ...summary(
          new Set([...gateways.values()].flatMap(({ transmissions }) => [...transmissions])),
          [...gateways.values()].reduce((sum, { receptions }) => sum + receptions, 0),
        ),
        gateways: euis.flatMap((eui) => {
          const load = gateways.get(eui);
          return load === undefined ? [] : [{ eui, ...summary(load.transmissions, load.receptions) }];
        }),
      }));
  }
}

function summary(
  transmissions: ReadonlySet<Transmission>,
  receptions: number,
): Omit<TruthChannel, "frequencyHz" | "gateways"> {
  const inOrder = [...transmissions].sort((a, b) => a.startUs - b.startUs);
  let airtimeUs = 0;
  let busyUs = 0;
  let busyUntilUs = Number.NEGATIVE_INFINITY;
  for (const { startUs, endUs } of inOrder) {
    airtimeUs += endUs - startUs;
    busyUs += Math.max(0, endUs - Math.max(startUs, busyUntilUs));
    busyUntilUs = Math.max(busyUntilUs, endUs);
  }
  return {
    receptions,
    transmissions: transmissions.size,
    airtimeSeconds: airtimeUs / 1e6,
    busySeconds: busyUs / 1e6,
  };
}
