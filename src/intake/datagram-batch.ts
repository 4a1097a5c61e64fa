/**
 * Datagrams on their way from the listener to the recorder: octets of all in one buffer that changes hands without a
 * copy. Measured for 64 datagrams of a packet each, processor time of both sides: 2 µs a datagram so, 7 µs as objects,
 * 23 µs decoded (decoding takes 18 µs): so the recorder decodes.
 */
import type { Endpoint } from "../model/datagram.ts";
import type { Eui } from "../model/identifiers.ts";

/** What the listener found about where a datagram came from, before anybody read it. */
export type SourceFault = "source" | "loop";

/** A datagram as the listener hands it to the recorder. */
export interface ListenedDatagram {
  readonly bytes: Uint8Array;
  /** Microseconds since 1970. */
  readonly atUs: number;
  readonly from: Endpoint;
  readonly to: Endpoint;
  /** Why it is not to be read, if so. */
  readonly sourceFault: SourceFault | null;
  /** The gateway it was sent to, when this listener itself sent it; null when it was received. */
  readonly sentTo: Eui | null;
}

interface Row {
  readonly atUs: number;
  readonly octets: number;
  /** Number of the pair of endpoints. */
  readonly path: number;
  readonly sourceFault: SourceFault | null;
  readonly sentTo: Eui | null;
}

export interface DatagramBatch {
  readonly octets: Uint8Array<ArrayBuffer>;
  readonly rows: readonly Row[];
  readonly paths: readonly { readonly from: Endpoint; readonly to: Endpoint }[];
}

/** Copies the datagrams into one batch; its `octets.buffer` may be transferred. */
export function packDatagrams(datagrams: readonly ListenedDatagram[]): DatagramBatch {
  const octets = new Uint8Array(datagrams.reduce((sum, { bytes }) => sum + bytes.length, 0));
  const paths: { from: Endpoint; to: Endpoint }[] = [];
  const known = new Map<string, number>();
  let at = 0;
  const rows = datagrams.map(({ bytes, atUs, from, to, sourceFault, sentTo }) => {
    octets.set(bytes, at);
    at += bytes.length;
    const key = `${from.address} ${from.port} ${to.address} ${to.port}`;
    let path = known.get(key);
    if (path === undefined) {
      path = paths.length;
      known.set(key, path);
      paths.push({ from, to });
    }
    return { atUs, octets: bytes.length, path, sourceFault, sentTo };
  });
  return { octets, rows, paths };
}

/** The datagrams of a batch; their octets stay in its buffer. */
export function unpackDatagrams({ octets, rows, paths }: DatagramBatch): ListenedDatagram[] {
  const datagrams: ListenedDatagram[] = [];
  let at = 0;
  for (const { atUs, octets: length, path, sourceFault, sentTo } of rows) {
    const ends = paths[path];
    if (ends === undefined) break;
    const { from, to } = ends;
    datagrams.push({ bytes: octets.subarray(at, at + length), atUs, from, to, sourceFault, sentTo });
    at += length;
  }
  return datagrams;
}
