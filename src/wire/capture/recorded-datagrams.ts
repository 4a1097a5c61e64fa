/**
 * How are received datagrams recorded as text, one a line? As a JSON object with the time to the microsecond, both
 * ends, and the octets in base64:
 *
 *     {"at":"2026-03-01T06:00:00.000123Z","from":"192.0.2.10 40123","to":"192.0.2.1 1700","bytes":"AgAAAA…"}
 *
 * Address and port stand apart by a space, so that IPv6 needs no brackets. A datagram that was rebuilt from a store
 * carries the `digest` of the one that came, by which a store that holds that one recognises it. Unknown members are
 * passed over.
 * Faults (layer capture, at the offset of the line): `line_length`, `line`, `cut`.
 */
import { z } from "zod";
import type { Arrival, Endpoint } from "../../model/datagram.ts";
import type { ByteQueue, CaptureItem } from "./captured-frame.ts";
import { parseIpAddress } from "./ip-packet.ts";

/** The largest UDP payload is 65,507 octets, 87,344 characters of base64; the rest is room for spaces. */
export const longestLineOctets = 131_072;

const newline = 0x0a;

const EndpointText = z
  .string()
  .max(80)
  .transform((text, context): Endpoint => {
    const [address = "", port = "", ...rest] = text.split(" ");
    if (
      rest.length > 0 ||
      parseIpAddress(address) === null ||
      !/^\d{1,5}$/.test(port) ||
      Number(port) > 65_535
    ) {
      context.addIssue("not an address and a port");
      return z.NEVER;
    }
    return { address, port: Number(port) };
  });

const TimeText = z.string().transform((text, context): number => {
  const us = parseTimeUs(text);
  if (us === null) {
    context.addIssue("not a time in UTC");
    return z.NEVER;
  }
  return us;
});

const RecordedDatagram = z
  .object({
    at: TimeText,
    from: EndpointText,
    to: EndpointText,
    bytes: z.base64(),
    digest: z.number().int().min(0).max(Number.MAX_SAFE_INTEGER).optional(),
  })
  .transform(
    ({ at, from, to, bytes, digest }): Arrival => ({
      bytes: new Uint8Array(Buffer.from(bytes, "base64")),
      atUs: at,
      from,
      to,
      door: "capture",
      ...(digest === undefined ? {} : { digest }),
    }),
  );

/** One line, with its line feed. */
export function encodeRecordedDatagram(arrival: Omit<Arrival, "door">): string {
  const { bytes, atUs, from, to, digest } = arrival;
  const text = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.length).toString("base64");
  const end = digest === undefined ? "" : `,"digest":${digest}`;
  // Put together by hand: an export writes a million of them, and only the ends could hold a character to escape.
  return `{"at":"${formatTimeUs(atUs)}","from":${endText(from)},"to":${endText(to)},"bytes":"${text}"${end}}\n`;
}

function endText({ address, port }: Endpoint): string {
  return JSON.stringify(`${address} ${port}`);
}

/** `2026-03-01T06:00:00.000123Z` from microseconds since 1970. */
function formatTimeUs(us: number): string {
  const seconds = Math.floor(us / 1_000_000);
  const fraction = String(us - seconds * 1_000_000).padStart(6, "0");
  return `${new Date(seconds * 1000).toISOString().slice(0, 19)}.${fraction}Z`;
}

function parseTimeUs(text: string): number | null {
  const match = /^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d{1,6}))?Z$/.exec(text);
  if (match === null) return null;
  const [, whole = "", fraction = ""] = match;
  const ms = Date.parse(`${whole}Z`);
  // A day that the month does not have is moved by some parsers: only what reads back the same is a time.
  if (Number.isNaN(ms) || ms < 0 || new Date(ms).toISOString().slice(0, 19) !== whole) return null;
  const us = ms * 1000 + Number(fraction.padEnd(6, "0"));
  return Number.isSafeInteger(us) ? us : null;
}

/** Reads lines from the front of the queue and leaves an unfinished one there. */
export interface LineReader {
  read(queue: ByteQueue, emit: (item: CaptureItem) => void, ended: boolean): void;
}

/** A reader for one file of recorded datagrams. */
export function createLineReader(): LineReader {
  let skipping = false;
  let searchedTo = 0;

  function readLine(queue: ByteQueue, octets: number, last: boolean): CaptureItem | null {
    const text = Buffer.from(queue.view(0, octets))
      .toString("utf8")
      .replace(/^\uFEFF/, "")
      .trim();
    if (text === "") return null;
    const parsed = RecordedDatagram.safeParse(jsonOf(text));
    if (parsed.success) return { kind: "datagram", arrival: parsed.data };
    const [issue] = parsed.error.issues;
    const where = issue === undefined || issue.path.length === 0 ? "" : `${issue.path.join(".")}: `;
    const detail = `${where}${issue?.message ?? ""}`.slice(0, 80);
    const reason = last && !text.endsWith("}") ? "cut" : "line";
    return { kind: "fault", fault: { reason, layer: "capture", at: queue.offset, detail }, atUs: null };
  }

  return {
    read(queue, emit, ended) {
      for (;;) {
        const found = queue.indexOf(newline, searchedTo);
        const octets = found < 0 ? queue.length : found;
        if (found < 0 && octets <= longestLineOctets && !ended) {
          searchedTo = queue.length;
          return;
        }
        if (octets > longestLineOctets && !skipping) {
          const fault = { reason: "line_length", layer: "capture", at: queue.offset } as const;
          emit({ kind: "fault", fault: { ...fault, need: octets, have: longestLineOctets }, atUs: null });
          skipping = true;
        }
        if (!skipping && octets > 0) {
          const item = readLine(queue, octets, found < 0);
          if (item !== null) emit(item);
        }
        searchedTo = 0;
        if (found < 0) {
          queue.drop(queue.length);
          return;
        }
        skipping = false;
        queue.drop(found + 1);
      }
    },
  };
}

function jsonOf(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}
