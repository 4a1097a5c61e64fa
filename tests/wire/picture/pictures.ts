/** Pictures of a few octets, put together for tests: not to be looked at, but well formed. */
import { crc32, deflateSync } from "node:zlib";

/** A JPEG segment with its length. */
export function segment(marker: number, body: Uint8Array): Buffer {
  const size = body.length + 2;
  return Buffer.concat([Uint8Array.of(0xff, marker, size >> 8, size & 255), body]);
}

/** Exif in Intel order, with an orientation and some words that a camera might leave. */
export function exifSegment(orientation: number, words: string): Buffer {
  const tiff = Buffer.alloc(26);
  tiff.write("II", 0, "latin1");
  tiff.writeUInt16LE(42, 2);
  tiff.writeUInt32LE(8, 4);
  tiff.writeUInt16LE(1, 8);
  tiff.writeUInt16LE(0x0112, 10);
  tiff.writeUInt16LE(3, 12);
  tiff.writeUInt32LE(1, 14);
  tiff.writeUInt16LE(orientation, 18);
  return segment(0xe1, Buffer.concat([Buffer.from("Exif\0\0"), tiff, Buffer.from(words)]));
}

/** A JPEG's frame: JFIF, the segments given, a scan with a stuffed octet and a restart, its end, and a tail. */
export function jpeg(segments: readonly Uint8Array[], tail: Uint8Array = new Uint8Array()): Buffer {
  const jfif = segment(0xe0, Buffer.from("JFIF\0\x01\x02\0\0\x01\0\x01\0\0", "latin1"));
  const scan = segment(0xda, Uint8Array.of(1, 1, 0, 0, 63, 0));
  const coded = Uint8Array.of(0x12, 0xff, 0x00, 0x34, 0xff, 0xd0, 0x56);
  return Buffer.concat([
    Uint8Array.of(0xff, 0xd8),
    ...segments.filter(({ length }) => length > 0),
    jfif,
    scan,
    coded,
    Uint8Array.of(0xff, 0xd9),
    tail,
  ]);
}

function chunk(name: string, body: Uint8Array): Buffer {
  const named = Buffer.concat([Buffer.from(name, "latin1"), body]);
  const size = Buffer.alloc(4);
  size.writeUInt32BE(body.length);
  const check = Buffer.alloc(4);
  check.writeUInt32BE(crc32(named));
  return Buffer.concat([size, named, check]);
}

const SIGNATURE = Uint8Array.of(0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a);
const HEAD = chunk("IHDR", Uint8Array.of(0, 0, 0, 1, 0, 0, 0, 1, 8, 2, 0, 0, 0));
const DATA = chunk("IDAT", deflateSync(Uint8Array.of(0, 0x0a, 0x6a, 0x6a)));
const END = chunk("IEND", new Uint8Array());

/** One teal dot that every browser shows. */
export const PNG_DOT = Buffer.concat([SIGNATURE, HEAD, DATA, END]);

/** The same with a further chunk and a tail. */
export function pngWith(name: string, body: Uint8Array, tail: Uint8Array): Buffer {
  return Buffer.concat([SIGNATURE, HEAD, chunk(name, body), DATA, END, tail]);
}
