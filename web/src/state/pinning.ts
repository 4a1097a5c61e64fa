/** Which moment did a person point at, to pin a mark there? Drawings say it, the form for marks takes it up. */
import { signal } from "@preact/signals";

export interface Pointed {
  readonly atMs: number;
  readonly gatewayEui: string | null;
}

/** The moment last pointed at; null once it was taken or given up. */
export const pointed = signal<Pointed | null>(null);

/** A drawing was clicked at a moment, perhaps in the line of a gateway. */
export function pointAt(atMs: number, gatewayEui: string | null = null): void {
  pointed.value = { atMs: Math.round(atMs), gatewayEui };
}
