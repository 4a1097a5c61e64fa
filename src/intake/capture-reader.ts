/**
 * What does a capture file on disk hold for us? It is read in a stream, packed with gzip or not, twice: the first part
 * to recognise the server's port by what crosses it, then the whole for the datagrams that go to that port.
 *
 * Faults of its own (layer capture): `gzip_cut` and `gzip` (the packed file ends early or is damaged: what came before
 * is read).
 */
import { createHash, type Hash } from "node:crypto";
import { once } from "node:events";
import { type FileHandle, open } from "node:fs/promises";
import { createGunzip } from "node:zlib";
import type { WireFault } from "../model/fault.ts";
import {
  type CaptureDecoder,
  type CaptureFormat,
  type CaptureItem,
  createCaptureDecoder,
  createServerPortFinder,
  isDownstream,
  type ServerPortFinder,
} from "../wire/capture/capture-decoder.ts";
import { figure } from "../words/format.ts";

/** Plain files are read in pieces of this size. */
const chunkOctets = 1 << 16;
/** Packed ones in smaller pieces: gzip can swell a thousandfold. */
const packedChunkOctets = 1 << 14;
const batchItems = 500;
/** The first pass stops after this much when it has found a port; without one it goes on to the end. */
const recogniseDatagrams = 20_000;
const recogniseOctets = 64 * 1024 * 1024;

export type CaptureUnreadableReason =
  | "missing"
  | "forbidden"
  | "no_file"
  | "io"
  | "empty"
  | "format"
  | "no_traffic";

/** A file that cannot be read as a capture; the message is a plain sentence, `hint` says what may help. */
export class CaptureUnreadable extends Error {
  readonly reason: CaptureUnreadableReason;
  readonly hint: string;

  constructor(reason: CaptureUnreadableReason, sentence: string, hint: string) {
    super(sentence);
    this.name = "CaptureUnreadable";
    this.reason = reason;
    this.hint = hint;
  }
}

export interface CaptureReadOptions {
  /** UDP port of the server in the capture; recognised by what crosses it when not given. */
  readonly udpPort?: number | undefined;
  /** Share of the file read, 0 to 1. */
  readonly onProgress?: ((share: number) => void) | undefined;
}

/** A capture file that can be read. The figures grow while the items are gone through. */
export interface CaptureReading {
  readonly format: CaptureFormat;
  /** Ports taken as the server's, the busiest first. */
  readonly serverPorts: readonly number[];
  /** Size on disk, octets. */
  readonly sizeOctets: number;
  /** Read so far, octets on disk. */
  readonly readOctets: number;
  /** Datagrams that neither go to the server nor come from it as an answer or a downlink. */
  readonly otherTraffic: number;
  /** Datagrams, ours or not, whose checksum is wrong: usual where the network card computes it. They are read. */
  readonly wrongChecksums: number;
  /** SHA-256 of the unpacked content, hexadecimal; null until the items have been gone through. */
  readonly digest: string | null;
  /**
   * Datagrams to the server, what it sends to gateways (isDownstream: PUSH_ACK, PULL_ACK, PULL_RESP), and faults, some
   * hundred at a time. Each call reads the file again from the start.
   */
  items(): AsyncGenerator<CaptureItem[], void, undefined>;
}

/**
 * Opens a capture and settles which ports are the server's. Rejects with `CaptureUnreadable` when the file cannot be
 * opened, is no capture, or holds nothing for us and no port was given.
 */
export async function openCapture(path: string, options: CaptureReadOptions = {}): Promise<CaptureReading> {
  const { udpPort, onProgress } = options;
  const first = await lookThrough(path, udpPort !== undefined);
  const format = first.decoder.format();
  if (format === null) throw unrecognised(first);
  const serverPorts = udpPort === undefined ? first.finder.ports() : [udpPort];
  if (serverPorts.length === 0) throw nothingForUs(first);
  const figures = { readOctets: 0, otherTraffic: 0, wrongChecksums: 0, digest: null as string | null };

  /** Null for an item that is somebody else's. */
  const ours = (item: CaptureItem): boolean => {
    if (item.kind === "fault") return item.to === undefined || serverPorts.includes(item.to.port);
    const { arrival } = item;
    if (serverPorts.includes(arrival.to.port) || isDownstream(arrival, serverPorts)) return true;
    figures.otherTraffic++;
    return false;
  };

  async function* items(): AsyncGenerator<CaptureItem[], void, undefined> {
    Object.assign(figures, { readOctets: 0, otherTraffic: 0, wrongChecksums: 0, digest: null });
    const decoder = createCaptureDecoder();
    const hash = createHash("sha256");
    let waiting: CaptureItem[] = [];
    for await (const part of unpacked(path)) {
      figures.readOctets = part.readOctets;
      if (part.bytes !== null) {
        hash.update(part.bytes);
        for (const item of decoder.push(part.bytes)) if (ours(item)) waiting.push(item);
      }
      if (part.fault !== null) waiting.push({ kind: "fault", fault: part.fault, atUs: null });
      figures.wrongChecksums = decoder.figures().wrongChecksums;
      while (waiting.length >= batchItems) yield waiting.splice(0, batchItems);
      onProgress?.(first.sizeOctets === 0 ? 1 : Math.min(1, part.readOctets / first.sizeOctets));
    }
    waiting = [...waiting, ...decoder.end().filter(ours)];
    figures.digest = hash.digest("hex");
    figures.wrongChecksums = decoder.figures().wrongChecksums;
    while (waiting.length > 0) yield waiting.splice(0, batchItems);
  }

  return {
    format,
    serverPorts,
    sizeOctets: first.sizeOctets,
    get readOctets() {
      return figures.readOctets;
    },
    get otherTraffic() {
      return figures.otherTraffic;
    },
    get wrongChecksums() {
      return figures.wrongChecksums;
    },
    get digest() {
      return figures.digest;
    },
    items,
  };
}

/** `openCapture` and its items in one, for callers that need no figures. */
export async function* readCapture(
  path: string,
  options: CaptureReadOptions = {},
): AsyncGenerator<CaptureItem[], void, undefined> {
  const reading = await openCapture(path, options);
  yield* reading.items();
}

/** SHA-256 of the unpacked content, hexadecimal: two files with the same content have the same. */
export async function digestCapture(path: string): Promise<string> {
  const hash: Hash = createHash("sha256");
  for await (const part of unpacked(path)) if (part.bytes !== null) hash.update(part.bytes);
  return hash.digest("hex");
}

interface FirstLook {
  readonly decoder: CaptureDecoder;
  readonly finder: ServerPortFinder;
  readonly sizeOctets: number;
  readonly contentOctets: number;
  /** Why frames or datagrams could not be read, by reason. */
  readonly faults: ReadonlyMap<string, number>;
}

/** The first pass. `formatOnly`: the port is known, so the first octets are enough. */
async function lookThrough(path: string, formatOnly: boolean): Promise<FirstLook> {
  const decoder = createCaptureDecoder();
  const finder = createServerPortFinder();
  const faults = new Map<string, number>();
  let sizeOctets = 0;
  let contentOctets = 0;
  const look = (items: readonly CaptureItem[]): void => {
    for (const item of items) {
      if (item.kind === "datagram") finder.observe(item.arrival);
      else faults.set(item.fault.reason, (faults.get(item.fault.reason) ?? 0) + 1);
    }
  };
  for await (const part of unpacked(path)) {
    sizeOctets = part.sizeOctets;
    if (part.bytes === null) continue;
    contentOctets += part.bytes.length;
    look(decoder.push(part.bytes));
    const enough = finder.observed >= recogniseDatagrams || contentOctets >= recogniseOctets;
    if (formatOnly ? decoder.format() !== null : enough && finder.ports().length > 0) break;
    // Another format: nothing more will be learnt.
    if (faults.has("format")) break;
  }
  look(decoder.end());
  return { decoder, finder, sizeOctets, contentOctets, faults };
}

function unrecognised(first: FirstLook): CaptureUnreadable {
  if (first.contentOctets === 0) {
    return new CaptureUnreadable("empty", "The file is empty.", "Was the capture stopped properly?");
  }
  return new CaptureUnreadable(
    "format",
    "The file is neither a packet capture nor a recording of datagrams.",
    "Captures of the pcap and pcapng formats can be read, packed with gzip too, and recordings of datagrams in JSON lines.",
  );
}

function nothingForUs(first: FirstLook): CaptureUnreadable {
  const { finder, faults } = first;
  const unknownLinks = faults.get("link_type") ?? 0;
  const cut = faults.get("snapped") ?? 0;
  if (unknownLinks > 0 && finder.observed === 0) {
    return new CaptureUnreadable(
      "no_traffic",
      "The frames of this capture are of a kind that cannot be read.",
      "Capture on the gateway's or the server's own network interface (Ethernet, or \"any\" on Linux).",
    );
  }
  if (cut > 0 && cut >= finder.observed) {
    return new CaptureUnreadable(
      "no_traffic",
      "The frames of this capture were cut short when it was taken.",
      "Capture whole frames: with tcpdump, leave out -s or give -s 0.",
    );
  }
  if (finder.observed === 0) {
    return new CaptureUnreadable(
      "no_traffic",
      "The capture holds no UDP datagrams.",
      "Capture on the gateway or on the server, while gateways are sending.",
    );
  }
  return new CaptureUnreadable(
    "no_traffic",
    `None of the ${figure(finder.observed)} UDP datagrams looks like a gateway's.`,
    "When the gateways do send here, give the server's port with --udp-port.",
  );
}

interface Part {
  /** Null when the part only brings a fault. */
  readonly bytes: Uint8Array | null;
  readonly fault: WireFault | null;
  readonly readOctets: number;
  readonly sizeOctets: number;
}

/** The content of a file in pieces, unpacked when it begins as gzip does. At least one part comes. */
async function* unpacked(path: string): AsyncGenerator<Part, void, undefined> {
  const file = await openFile(path);
  try {
    const stat = await file.stat();
    if (!stat.isFile()) {
      throw new CaptureUnreadable("no_file", `${path} is no file.`, "Give the path of a capture file.");
    }
    const sizeOctets = stat.size;
    const magic = await readAt(file, 2, 0);
    // RFC 1952 section 2.3.1: ID1 and ID2.
    if (magic[0] === 0x1f && magic[1] === 0x8b) {
      yield* gunzipped(file, sizeOctets);
      return;
    }
    let readOctets = 0;
    do {
      const bytes = await readAt(file, chunkOctets, readOctets);
      readOctets += bytes.length;
      yield { bytes, fault: null, readOctets, sizeOctets };
      if (bytes.length === 0) return;
    } while (readOctets < sizeOctets);
  } finally {
    await file.close();
  }
}

/**
 * Members one after another are one content (RFC 1952 section 2.2). Pieces are taken out as soon as they are unpacked,
 * because a stream that meets damage throws away what it still holds.
 */
async function* gunzipped(file: FileHandle, sizeOctets: number): AsyncGenerator<Part, void, undefined> {
  const gunzip = createGunzip();
  let ready: Uint8Array[] = [];
  let trouble: Error | null = null;
  gunzip.on("data", (bytes: Uint8Array) => ready.push(bytes));
  gunzip.on("error", (error) => {
    trouble = error;
  });
  // Also reached before the end of the file, when something that is not gzip follows the last member: it is left.
  let over = false;
  const ended = new Promise<void>((done) => {
    const finish = (): void => {
      over = true;
      done();
    };
    gunzip.once("close", finish);
    gunzip.once("end", finish);
  });
  let readOctets = 0;
  const takeReady = (): Part[] => {
    const parts = ready.map((bytes) => ({ bytes, fault: null, readOctets, sizeOctets }));
    ready = [];
    return parts;
  };
  try {
    while (!over && trouble === null) {
      const bytes = await readAt(file, packedChunkOctets, readOctets);
      if (bytes.length === 0) break;
      readOctets += bytes.length;
      await Promise.race([new Promise<void>((done) => gunzip.write(bytes, () => done())), ended]);
      yield* takeReady();
    }
    if (!over && trouble === null) {
      gunzip.end();
      await ended;
    }
    yield* takeReady();
    const fault = trouble === null ? null : gzipFault(trouble, readOctets);
    yield { bytes: null, fault, readOctets, sizeOctets };
  } finally {
    if (!gunzip.closed) {
      gunzip.destroy();
      await once(gunzip, "close");
    }
  }
}

function gzipFault(error: Error, at: number): WireFault {
  const cut = "code" in error && error.code === "Z_BUF_ERROR";
  const reason = cut ? "gzip_cut" : "gzip";
  return { reason, layer: "capture", at, detail: error.message.slice(0, 80) };
}

async function openFile(path: string): Promise<FileHandle> {
  try {
    return await open(path, "r");
  } catch (error) {
    throw unreadable(path, error);
  }
}

async function readAt(file: FileHandle, octets: number, position: number): Promise<Uint8Array> {
  const buffer = new Uint8Array(octets);
  try {
    const { bytesRead } = await file.read(buffer, 0, octets, position);
    return buffer.subarray(0, bytesRead);
  } catch (error) {
    throw unreadable("The file", error);
  }
}

function unreadable(path: string, error: unknown): CaptureUnreadable {
  const code = error instanceof Error && "code" in error ? String(error.code) : "";
  switch (code) {
    case "ENOENT":
      return new CaptureUnreadable("missing", `${path} does not exist.`, "Check the path.");
    case "EACCES":
    case "EPERM":
      return new CaptureUnreadable("forbidden", `${path} may not be read.`, "Check the file's permissions.");
    case "EISDIR":
      return new CaptureUnreadable("no_file", `${path} is a folder.`, "Give the path of a capture file.");
    default:
      return new CaptureUnreadable(
        "io",
        `${path} could not be read (${code || "unknown reason"}).`,
        "Is the disk in order?",
      );
  }
}
