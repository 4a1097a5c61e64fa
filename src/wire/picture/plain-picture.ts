/**
 * Is this a photo that a browser may be shown, and what of it is picture only? JPEG (ITU-T T.81, annex B) and PNG (W3C
 * PNG specification, third edition, section 5), recognised by their octets and never by a name. What a camera wrote beside the
 * picture (place, time, owner: Exif, XMP, comments, text chunks) and what follows its end is left out; the way up stays.
 */

export type PictureType = "image/jpeg" | "image/png";

export interface Picture {
  readonly type: PictureType;
  readonly octets: Uint8Array;
}

/** Null: neither JPEG nor PNG, or cut short. Any octets may be handed in. */
export function plainPicture(octets: Uint8Array): Picture | null {
  if (octets[0] === 0xff && octets[1] === 0xd8) return plainJpeg(octets);
  if (PNG_SIGNATURE.every((octet, i) => octets[i] === octet)) return plainPng(octets);
  return null;
}

const SOI = 0xd8;
const EOI = 0xd9;
const SOS = 0xda;
const APP1 = 0xe1;
/** T.81, table B.1: APP0 (JFIF), APP2 (colour profile) and APP14 (colour transform) say how to show it. */
const APP_KEPT: ReadonlySet<number> = new Set([0xe0, 0xe2, 0xee]);
const COMMENT = 0xfe;

function plainJpeg(octets: Uint8Array): Picture | null {
  const kept: Uint8Array[] = [];
  let wayUp = 1;
  let hasScan = false;
  let at = 2;
  for (;;) {
    if (octets[at] !== 0xff) return null;
    // Fill octets may stand before a marker (B.1.1.2).
    while (octets[at + 1] === 0xff) at += 1;
    const marker = octets[at + 1];
    if (marker === undefined || marker === 0 || marker === SOI) return null;
    if (marker === EOI) break;
    const size = word(octets, at + 2);
    const next = at + 2 + size;
    if (size < 2 || next > octets.length) return null;
    const isApp = marker >= 0xe0 && marker <= 0xef;
    if (marker === APP1) wayUp = orientationOf(octets.subarray(at + 4, next)) ?? wayUp;
    if (marker !== COMMENT && (!isApp || APP_KEPT.has(marker))) kept.push(octets.subarray(at, next));
    at = next;
    if (marker !== SOS) continue;
    hasScan = true;
    const end = endOfScan(octets, at);
    if (end === null) return null;
    kept.push(octets.subarray(at, end));
    at = end;
  }
  if (!hasScan) return null;
  const head = wayUp === 1 ? [] : [orientationSegment(wayUp)];
  return {
    type: "image/jpeg",
    octets: Buffer.concat([Uint8Array.of(0xff, SOI), ...head, ...kept, Uint8Array.of(0xff, EOI)]),
  };
}

/** Where the next marker stands after coded data: FF that is neither stuffed (00) nor a restart (D0 to D7). */
function endOfScan(octets: Uint8Array, from: number): number | null {
  for (let at = from; at + 1 < octets.length; at++) {
    if (octets[at] !== 0xff) continue;
    const after = octets[at + 1] ?? 0;
    if (after !== 0 && after !== 0xff && !(after >= 0xd0 && after <= 0xd7)) return at;
  }
  return null;
}

const EXIF = [0x45, 0x78, 0x69, 0x66, 0, 0];
/** Exif 2.32, 4.6.4: tag Orientation, one SHORT, 1 to 8. */
const ORIENTATION = 0x0112;
const MAX_ENTRIES = 200;

function orientationOf(segment: Uint8Array): number | null {
  if (!EXIF.every((octet, i) => segment[i] === octet)) return null;
  const tiff = segment.subarray(EXIF.length);
  const isLittle = tiff[0] === 0x49;
  const short = (at: number) => (isLittle ? (tiff[at] ?? 0) | ((tiff[at + 1] ?? 0) << 8) : word(tiff, at));
  const long = (at: number) =>
    isLittle ? short(at) + short(at + 2) * 65_536 : short(at) * 65_536 + short(at + 2);
  const directory = long(4);
  const entries = Math.min(MAX_ENTRIES, short(directory));
  for (let i = 0; i < entries; i++) {
    const entry = directory + 2 + 12 * i;
    if (short(entry) !== ORIENTATION) continue;
    const value = short(entry + 8);
    return value >= 1 && value <= 8 ? value : null;
  }
  return null;
}

/** The least Exif segment that says which way is up. */
function orientationSegment(value: number): Uint8Array {
  const tiff = [
    0x4d,
    0x4d,
    0,
    42,
    0,
    0,
    0,
    8,
    0,
    1,
    0x01,
    0x12,
    0,
    3,
    0,
    0,
    0,
    1,
    0,
    value,
    0,
    0,
    0,
    0,
    0,
    0,
  ];
  const size = 2 + EXIF.length + tiff.length;
  return Uint8Array.of(0xff, APP1, size >> 8, size & 255, ...EXIF, ...tiff);
}

const PNG_SIGNATURE = [0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a];
/** Chunks that say how the picture is shown; all critical ones stay besides. */
const PNG_KEPT: ReadonlySet<string> = new Set([
  "tRNS",
  "gAMA",
  "cHRM",
  "sRGB",
  "iCCP",
  "sBIT",
  "bKGD",
  "pHYs",
]);

function plainPng(octets: Uint8Array): Picture | null {
  const kept: Uint8Array[] = [Uint8Array.from(PNG_SIGNATURE)];
  let hasData = false;
  let at = PNG_SIGNATURE.length;
  for (;;) {
    const size = word(octets, at) * 65_536 + word(octets, at + 2);
    const next = at + 12 + size;
    if (next > octets.length) return null;
    const name = String.fromCharCode(...octets.subarray(at + 4, at + 8));
    if (!/^[A-Za-z]{4}$/.test(name)) return null;
    // Bit 5 of the first letter: 0 is critical (5.4).
    const isCritical = name.charCodeAt(0) < 97;
    if (isCritical || PNG_KEPT.has(name)) kept.push(octets.subarray(at, next));
    if (name === "IDAT") hasData = true;
    if (name === "IEND") return hasData ? { type: "image/png", octets: Buffer.concat(kept) } : null;
    at = next;
  }
}

/** Two octets, the higher first; 0 beyond the end. */
function word(octets: Uint8Array, at: number): number {
  return ((octets[at] ?? 0) << 8) | (octets[at + 1] ?? 0);
}
