import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { plainPicture } from "../../../src/wire/picture/plain-picture.ts";
import { exifSegment, jpeg, PNG_DOT, pngWith, segment } from "./pictures.ts";

const ascii = (octets: Uint8Array) => Buffer.from(octets).toString("latin1");

describe("a photo", () => {
  it("keeps its picture and loses what the camera wrote of place and owner", () => {
    const comment = segment(0xfe, Buffer.from("seen by the pond"));
    const thumbnails = Buffer.from("trailing preview with its own place");
    const photo = jpeg([exifSegment(1, "GPS 51.5"), comment], thumbnails);
    const plain = plainPicture(photo);
    expect(plain?.type).toBe("image/jpeg");
    expect(plain?.octets).toEqual(jpeg([]));
    expect(ascii(plain?.octets ?? new Uint8Array())).not.toMatch(/GPS|pond|preview/);
  });

  it.each([2, 3, 6, 8])("taken with the camera turned (%i) stays the right way up", (turned) => {
    const plain = plainPicture(jpeg([exifSegment(turned, "GPS 51.5")]));
    const again = plainPicture(plain?.octets ?? new Uint8Array());
    expect(plain?.octets.length).toBe(jpeg([]).length + 36);
    expect(plain?.octets[31]).toBe(turned);
    expect(again?.octets).toEqual(plain?.octets);
    expect(ascii(plain?.octets ?? new Uint8Array())).not.toContain("GPS");
  });

  it("as PNG loses its text chunks and what follows its end", () => {
    const plain = plainPicture(pngWith("tEXt", Buffer.from("Author\0A person"), Buffer.from("<script>")));
    expect(plain).toEqual({ type: "image/png", octets: PNG_DOT });
  });

  it.each([
    ["nothing", new Uint8Array()],
    ["markup", Buffer.from("<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>")],
    ["a page with a JPEG's first octets", Buffer.from([0xff, 0xd8, ...Buffer.from("<html>")])],
    ["a GIF", Buffer.from("GIF89a\x01\x00")],
    [
      "a JPEG with a marker 00 before its picture",
      Buffer.concat([jpeg([]).subarray(0, 2), segment(0x00, new Uint8Array(4)), jpeg([]).subarray(2)]),
    ],
    [
      "a JPEG that begins twice",
      Buffer.concat([jpeg([]).subarray(0, 2), segment(0xd8, new Uint8Array(4)), jpeg([]).subarray(2)]),
    ],
    ["a JPEG without a picture", Uint8Array.of(0xff, 0xd8, 0xff, 0xd9)],
  ])("is not: %s", (_, octets) => {
    expect(plainPicture(octets)).toBeNull();
  });

  it("that is cut anywhere is none, and no octets make the reading throw", () => {
    for (const whole of [jpeg([exifSegment(6, "GPS")]), PNG_DOT]) {
      for (let length = 0; length < whole.length; length++)
        expect(plainPicture(whole.subarray(0, length))).toBeNull();
    }
    fc.assert(
      fc.property(
        fc.uint8Array({ maxLength: 300 }),
        fc.constantFrom([0xff, 0xd8], [...PNG_DOT]),
        (tail, head) => {
          const plain = plainPicture(Uint8Array.of(...head, ...tail));
          return plain === null || plainPicture(plain.octets) !== null;
        },
      ),
    );
  });
});
