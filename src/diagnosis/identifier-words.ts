/** What is said when identifiers of gateways are too many, or one is used by two. */

export interface CapFacts {
  readonly most: number;
  readonly there: number;
  /** Datagrams of gateways that found no place. */
  readonly refused: number;
  /** Gateways that were heard too little and gave their place to another. */
  readonly gaveWay: number;
}

/** null while there was room. */
export function capSentence({ most, there, refused, gaveWay }: CapFacts): string | null {
  if (refused === 0 && gaveWay === 0) return null;
  const number = (count: number) => count.toLocaleString("en-GB");
  const gave =
    gaveWay === 0
      ? ""
      : ` ${number(gaveWay)} that ${gaveWay === 1 ? "was" : "were"} heard too little gave way to others.`;
  const lost =
    refused === 0
      ? ""
      : ` ${number(refused)} ${refused === 1 ? "datagram was" : "datagrams were"} refused for want of a place.`;
  return `The limit of ${number(most)} gateways was reached; ${number(there)} are kept.${gave}${lost} Somebody may be inventing identifiers.`;
}

export function rivalSentence(pair: {
  readonly name: string;
  readonly source: string;
  readonly rival: string;
}): string {
  const [one, other] = [pair.source, pair.rival].map((text) => text.replace(" ", " port "));
  return `Two sources ask for downlinks of ${pair.name} in turn: ${one} and ${other}. Each downlink goes to the one that asked last; a second forwarder or a stranger may be using its identifier.`;
}
