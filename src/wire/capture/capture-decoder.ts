/**
 * Which datagrams does a capture file hold? The format is recognised from the first octets; the file arrives in pieces of
 * any size and memory stays bounded whatever the file claims.
 *
 * Faults of its own (layer capture): `empty`, `format`. Others: see pcap.ts, pcapng.ts, frame-decoder.ts and
 * recorded-datagrams.ts. Never throws. A file cut anywhere gives the datagrams that were whole before the cut.
 */

import type { CaptureItem, FrameSink } from "./captured-frame.ts";
import { ByteQueue } from "./captured-frame.ts";
import { createFrameDecoder, type FrameFigures } from "./frame-decoder.ts";
import { createPcapReader, isPcapMagic } from "./pcap.ts";
import { blockTypes, createPcapngReader } from "./pcapng.ts";
import { createLineReader } from "./recorded-datagrams.ts";

export type { CaptureItem } from "./captured-frame.ts";

export type CaptureFormat = "pcap" | "pcapng" | "recorded-datagrams";

export interface CaptureDecoder {
  /** Items that this piece of the file completes, in the order of the file. */
  push(chunk: Uint8Array): CaptureItem[];
  /** Items that the end of the file settles. */
  end(): CaptureItem[];
  /** Null until the first octets recognised, and for a file of another format. */
  format(): CaptureFormat | null;
  figures(): FrameFigures;
}

/** A large piece is worked off in parts, so that it is not held a second time. */
const partOctets = 1 << 16;
/** White space before the first line is allowed this far. */
const longestLeadIn = 1024;

type Reader = (queue: ByteQueue, ended: boolean) => void;

/** A decoder for one file. */
export function createCaptureDecoder(): CaptureDecoder {
  const queue = new ByteQueue();
  let items: CaptureItem[] = [];
  const emit = (item: CaptureItem): void => {
    items.push(item);
  };
  const frames = createFrameDecoder(emit);
  const sink: FrameSink = {
    frame: frames.decode,
    fault: (fault, atUs) => emit({ kind: "fault", fault, atUs }),
  };
  let format: CaptureFormat | "other" | null = null;
  let reader: Reader = () => undefined;

  function open(ended: boolean): void {
    const recognised = formatOf(queue, ended);
    if (recognised === null) return;
    format = recognised;
    if (recognised === "recorded-datagrams") {
      const lines = createLineReader();
      reader = (octets, last) => lines.read(octets, emit, last);
    } else if (recognised === "other") {
      const detail = `first octets ${Buffer.from(queue.view(0, 8)).toString("hex")}`;
      const fault = { reason: queue.length === 0 ? "empty" : "format", layer: "capture", at: 0 } as const;
      emit({ kind: "fault", fault: queue.length === 0 ? fault : { ...fault, detail }, atUs: null });
      reader = (octets) => octets.drop(octets.length);
    } else {
      const records = recognised === "pcap" ? createPcapReader() : createPcapngReader();
      reader = (octets, last) => records.read(octets, sink, last);
    }
  }

  function taken(): CaptureItem[] {
    const taken = items;
    items = [];
    return taken;
  }

  return {
    push(chunk) {
      for (let at = 0; at < chunk.length; at += partOctets) {
        queue.push(chunk.subarray(at, at + partOctets));
        if (format === null) open(false);
        if (format !== null) reader(queue, false);
      }
      return taken();
    },
    end() {
      if (format === null) open(true);
      reader(queue, true);
      frames.end();
      return taken();
    },
    format: () => (format === "other" ? null : format),
    figures: frames.figures,
  };
}

/** Null: more octets are needed. */
function formatOf(queue: ByteQueue, ended: boolean): CaptureFormat | "other" | null {
  if (queue.length >= 4) {
    const big = queue.u32(0, false);
    const little = queue.u32(0, true);
    // draft-ietf-opsawg-pcapng section 4.1: the type of the section header reads the same in both orders.
    if (big === blockTypes.sectionHeader) return "pcapng";
    if (isPcapMagic(big, little)) return "pcap";
  }
  const start = Buffer.from(queue.view(0, longestLeadIn))
    .toString("utf8")
    .replace(/^\uFEFF/, "")
    .trimStart();
  if (start.startsWith("{")) return "recorded-datagrams";
  const undecided = queue.length < 4 || (start === "" && queue.length < longestLeadIn);
  return undecided && !ended ? null : "other";
}
