/**
 * How was a packet modulated? Only what the receiver reported; nothing is assumed here.
 */

/**
 * Coding rates that a forwarder names. `OFF` is coding rate 0, in practice a false detection. LI: long interleaving. 2/6 and
 * 3/6: LR-FHSS. Stores hold the place in this list: new ones stand at the end.
 */
export const CODING_RATES = [
  "4/5",
  "4/6",
  "4/7",
  "4/8",
  "4/5LI",
  "4/6LI",
  "4/8LI",
  "1/3",
  "2/3",
  "1/2",
  "5/6",
  "OFF",
  "2/6",
  "3/6",
] as const;
export type CodingRate = (typeof CODING_RATES)[number];

export interface LoraModulation {
  readonly kind: "lora";
  /** 5 to 12. */
  readonly spreadingFactor: number;
  /** Exact bandwidth in Hz: 7812.5, 62500, 125000, 812500 … */
  readonly bandwidthHz: number;
  readonly codingRate: CodingRate | null;
}

export interface FskModulation {
  readonly kind: "fsk";
  /** Bits per second. */
  readonly bitrateBps: number;
}

export interface LrFhssModulation {
  readonly kind: "lr-fhss";
  /** Modulation type, the number after M in `M0CW137`. */
  readonly type: number;
  /** Operating channel width in Hz. */
  readonly operatingWidthHz: number;
  readonly codingRate: CodingRate | null;
}

/** Kept as text, without airtime. */
export interface UnknownModulation {
  readonly kind: "unknown";
  readonly text: string;
}

export type Modulation = LoraModulation | FskModulation | LrFhssModulation | UnknownModulation;

/** `SF9BW125`, `FSK 50 kb/s`, `M0CW137`: the short name that tables show. */
export function describeModulation(modulation: Modulation): string {
  switch (modulation.kind) {
    case "lora":
      return `SF${modulation.spreadingFactor}BW${Math.floor(modulation.bandwidthHz / 100) / 10}`;
    case "fsk":
      return `FSK ${modulation.bitrateBps / 1000} kb/s`;
    case "lr-fhss":
      return `M${modulation.type}CW${Math.round(modulation.operatingWidthHz / 1000)}`;
    case "unknown":
      return modulation.text === "" ? "unknown" : modulation.text;
  }
}
