/** Are pcapng files read with all their sections, interfaces and clocks, and what does damage cost? */
import { describe, expect, test } from "vitest";
import { createCaptureDecoder } from "../../../src/wire/capture/capture-decoder.ts";
import { arrival, arrivalsOf, hex, joined, read, reasonsOf, someTimeUs } from "./octets.ts";
import { udpFrames } from "./other-captures.ts";
import { pcapngBlocks } from "./pcapng-writer.ts";

const frame = udpFrames(arrival(), { linkType: 1, mtuOctets: 1500, identification: 7 })[0]!;
const rawFrame = udpFrames(arrival(), { linkType: 101, mtuOctets: 1500, identification: 7 })[0]!;
const little = pcapngBlocks(true);
const big = pcapngBlocks(false);
const us = BigInt(someTimeUs);
const whole = { kind: "datagram", arrival: arrival() };

describe("blocks", () => {
  for (const [name, write] of [
    ["little", little],
    ["big", big],
  ] as const) {
    test(`a ${name}-endian section with an enhanced packet comes back as written`, () => {
      expect(read(joined(write.section(), write.interface(), write.enhanced(0, us, frame)))).toEqual([whole]);
    });

    test(`the obsolete packet block is read in ${name} endian`, () => {
      expect(read(joined(write.section(), write.interface(), write.obsolete(0, 3, us, frame)))).toEqual([
        whole,
      ]);
    });
  }

  test("sections of both byte orders follow each other, each with its own interfaces", () => {
    const file = joined(
      little.section(),
      little.interface(),
      little.enhanced(0, us, frame),
      big.section(),
      big.interface({ linkType: 101 }),
      big.enhanced(0, us, rawFrame),
    );
    expect(read(file)).toEqual([whole, whole]);
    const other = joined(
      big.section(),
      big.interface({ linkType: 101 }),
      big.enhanced(0, us, rawFrame),
      little.section(),
      little.interface(),
      little.enhanced(0, us, frame),
    );
    expect(read(other)).toEqual([whole, whole]);
  });

  test("an interface of the section before does not count", () => {
    const file = joined(
      little.section(),
      little.interface(),
      little.section(),
      little.enhanced(0, us, frame),
    );
    expect(reasonsOf(read(file))).toEqual(["interface"]);
  });

  test("each packet has the link type of its interface", () => {
    const file = joined(
      little.section(),
      little.interface(),
      little.enhanced(0, us, frame),
      little.interface({ linkType: 101 }),
      little.enhanced(1, us, rawFrame),
    );
    expect(read(file)).toEqual([whole, whole]);
  });

  test("unknown, custom, statistics and name blocks are skipped by their length", () => {
    const skipped = [4, 5, 0x0a, 0xbad, 0x40000bad, 0x8000_0001].map((type) =>
      little.block(type, new Uint8Array(1000 + (type % 7))),
    );
    const file = joined(
      little.section(),
      ...skipped,
      little.interface(),
      ...skipped,
      little.enhanced(0, us, frame),
    );
    expect(read(file, 13)).toEqual([whole]);
  });

  test("options behind a packet do not disturb it", () => {
    const comment = little.option(1, Buffer.from("a comment"));
    const file = joined(
      little.section(),
      little.interface(),
      little.enhanced(0, us, frame, frame.length, comment),
      little.enhanced(0, us, frame),
    );
    expect(read(file)).toEqual([whole, whole]);
  });

  test("a frame cut by the snapshot length is a named fault", () => {
    const cut = frame.subarray(0, 45);
    const file = joined(little.section(), little.interface(), little.enhanced(0, us, cut, frame.length));
    expect(reasonsOf(read(file))).toEqual(["snapped"]);
  });
});

describe("clock", () => {
  const timeOf = (options: readonly (readonly [number, Uint8Array])[], units: bigint): number | undefined =>
    arrivalsOf(
      read(joined(little.section(), little.interface({ options }), little.enhanced(0, units, frame))),
    )[0]?.atUs;

  test("nanoseconds (9), milliseconds (3) and seconds (0) become microseconds", () => {
    expect(timeOf([[9, Uint8Array.of(9)]], us * 1000n + 999n)).toBe(someTimeUs);
    expect(timeOf([[9, Uint8Array.of(3)]], us / 1000n)).toBe(someTimeUs - 123);
    expect(timeOf([[9, Uint8Array.of(0)]], us / 1_000_000n)).toBe(someTimeUs - 123);
  });

  test("a value of another option is stepped over with its padding to 32 bits", () => {
    // Option 2, the interface's name: five octets take eight.
    const name = new Uint8Array(Buffer.from("radio"));
    expect(
      timeOf(
        [
          [2, name],
          [9, Uint8Array.of(3)],
        ],
        us / 1000n,
      ),
    ).toBe(someTimeUs - 123);
  });

  test("a power of two is one when the highest bit is set", () => {
    // 0x8A: units of 1/1024 s, the draft's own example.
    expect(timeOf([[9, Uint8Array.of(0x8a)]], 1024n * 1_772_344_800n + 512n)).toBe(1_772_344_800_500_000);
  });

  test("the offset in seconds is added, also a negative one", () => {
    const offset = Buffer.alloc(8);
    offset.writeBigInt64LE(-3600n);
    expect(timeOf([[14, offset]], us + 3_600_000_000n)).toBe(someTimeUs);
  });

  test("options after the end-of-options mark and options that run over the block do not count", () => {
    const lying = joined(little.option(0, new Uint8Array(0)), little.option(9, Uint8Array.of(3)));
    const body = joined(hex("0100 0000 00000000"), lying);
    const file = joined(little.section(), little.block(1, body), little.enhanced(0, us, frame));
    expect(read(file)).toEqual([whole]);
    const over = joined(hex("0100 0000 00000000"), hex("0900 ff00"));
    expect(read(joined(little.section(), little.block(1, over), little.enhanced(0, us, frame)))).toEqual([
      whole,
    ]);
  });

  test("a time before 1970 is a fault of that packet", () => {
    const offset = Buffer.alloc(8);
    offset.writeBigInt64LE(-1n);
    const options = [[14, offset]] as const;
    const file = joined(little.section(), little.interface({ options }), little.enhanced(0, 0n, frame));
    // Where the packet block's time stands: 12 octets into the block, behind the section and the interface.
    const [fault] = read(file);
    expect(fault).toMatchObject({
      kind: "fault",
      fault: {
        reason: "timestamp",
        at: little.section().length + little.interface({ options }).length + 12,
      },
    });
    expect(reasonsOf(read(file))).toEqual(["timestamp"]);
  });

  test("a simple packet takes the time of the packet before it and says so", () => {
    const file = joined(
      little.section(),
      little.interface(),
      little.enhanced(0, us, frame),
      little.simple(frame),
    );
    const items = read(file);
    expect(arrivalsOf(items)).toEqual([arrival(), arrival()]);
    expect(reasonsOf(items)).toEqual(["timestamp_borrowed"]);
  });

  test("a simple packet before any time is known is a fault, not a datagram of 1970", () => {
    const items = read(joined(little.section(), little.interface(), little.simple(frame)));
    expect(reasonsOf(items)).toEqual(["no_timestamp"]);
    expect(arrivalsOf(items)).toEqual([]);
  });

  test("the snapshot length of interface 0 says how long a simple packet is", () => {
    const file = joined(
      little.section(),
      little.interface({ snapshotOctets: 40 }),
      little.interface(),
      little.enhanced(1, us, frame),
      little.simple(frame.subarray(0, 40), frame.length),
    );
    expect(reasonsOf(read(file))).toEqual(["timestamp_borrowed", "snapped"]);
  });
});

describe("damage", () => {
  test("a section of another version is skipped to the next section", () => {
    const file = joined(
      little.section([1, 1]),
      little.interface(),
      little.enhanced(0, us, frame),
      big.section(),
      big.interface(),
      big.enhanced(0, us, frame),
    );
    const items = read(file);
    expect(reasonsOf(items)).toEqual(["version"]);
    expect(arrivalsOf(items)).toEqual([arrival()]);
  });

  test("minor version 2 is read as 0", () => {
    expect(read(joined(little.section([1, 2]), little.interface(), little.enhanced(0, us, frame)))).toEqual([
      whole,
    ]);
  });

  test("a block that claims 4 GB is a fault, and reading takes up again behind it", () => {
    const broken = little.enhanced(0, us, frame);
    new DataView(broken.buffer).setUint32(4, 0xffff_fffc, true);
    const items = read(joined(little.section(), little.interface(), broken, little.enhanced(0, us, frame)));
    expect(reasonsOf(items)).toEqual(["block_length"]);
    expect(arrivalsOf(items)).toEqual([arrival()]);
  });

  test("a length grown by damage does not swallow the blocks behind it, be it of a packet or of an unknown block", () => {
    for (const broken of [little.enhanced(0, us, frame), little.block(0xbad, new Uint8Array(40))]) {
      for (const grown of [200, 1 << 19, 1 << 21]) {
        if (grown > 1 << 20 && broken[0] !== 6) continue;
        const damaged = broken.slice();
        new DataView(damaged.buffer).setUint32(4, damaged.length + grown, true);
        const rest = Array.from({ length: 8 }, () => little.enhanced(0, us, frame));
        const items = read(joined(little.section(), little.interface(), damaged, ...rest));
        expect(arrivalsOf(items), `${grown}`).toHaveLength(8);
        expect(reasonsOf(items), `${grown}`).toHaveLength(1);
      }
    }
  });

  test("two lengths that differ are a fault of that block only", () => {
    const broken = little.enhanced(0, us, frame);
    broken[broken.length - 4]! ^= 0x40;
    const items = read(joined(little.section(), little.interface(), broken, little.enhanced(0, us, frame)));
    expect(reasonsOf(items)).toEqual(["block_trailer"]);
    expect(arrivalsOf(items)).toEqual([arrival()]);
  });

  test("a captured length beyond its block is a fault of that block only", () => {
    const broken = little.enhanced(0, us, frame);
    new DataView(broken.buffer).setUint32(20, 5000, true);
    const items = read(joined(little.section(), little.interface(), broken, little.enhanced(0, us, frame)));
    expect(reasonsOf(items)).toEqual(["captured_length"]);
    // 32 octets of a packet block are no frame.
    expect(items[0]).toMatchObject({
      fault: {
        at: little.section().length + little.interface().length + 20,
        need: 5000,
        have: broken.length - 32,
      },
    });
    expect(arrivalsOf(items)).toEqual([arrival()]);
  });

  test("a simple packet longer than its block is a fault that says what is needed and what is there", () => {
    const claims = 4000;
    const start = joined(little.section(), little.interface(), little.enhanced(0, us, frame));
    const items = read(joined(start, little.simple(frame, claims), little.enhanced(0, us, frame)));
    // 16 octets of a simple packet block are no frame: type, length, original length, length again.
    const have = little.simple(frame).length - 16;
    expect(items.filter(({ kind }) => kind === "fault")).toMatchObject([
      { fault: { reason: "captured_length", need: claims, have } },
    ]);
    expect(arrivalsOf(items)).toEqual([arrival(), arrival()]);
    // The block holds so many octets with its padding: one more is too many.
    expect(reasonsOf(read(joined(start, little.simple(frame, have))))).toEqual(["timestamp_borrowed"]);
    expect(reasonsOf(read(joined(start, little.simple(frame, have + 1))))).toEqual(["captured_length"]);
  });

  test("a simple packet without its interface, or without room for its length, is a fault with its place", () => {
    const at = little.section().length;
    expect(read(joined(little.section(), little.simple(frame)))).toMatchObject([
      { fault: { reason: "interface", layer: "capture", at, detail: "interface 0 is not described" } },
    ]);
    expect(read(joined(little.section(), little.block(3)))).toMatchObject([
      { fault: { reason: "block_length", layer: "capture", at: at + 4, need: 16, have: 12 } },
    ]);
  });

  test("an unknown block of 16 MiB is skipped, a longer one is damage", () => {
    const start = joined(little.section(), little.interface(), little.enhanced(0, us, frame));
    const headOf = (octets: number) => joined(little.u32(0xbad), little.u32(octets), new Uint8Array(40));
    expect(reasonsOf(read(joined(start, headOf(1 << 24))))).toEqual(["cut"]);
    expect(reasonsOf(read(joined(start, headOf((1 << 24) + 4))))).toEqual(["block_length"]);
  });

  test("a packet of an interface that was not described is a fault", () => {
    expect(reasonsOf(read(joined(little.section(), little.enhanced(2, us, frame))))).toEqual(["interface"]);
  });

  test("a file cut within a block or within a skipped block gives what was whole, and says so", () => {
    const start = joined(little.section(), little.interface(), little.enhanced(0, us, frame));
    for (const tail of [little.enhanced(0, us, frame), little.block(0xbad, new Uint8Array(5000))]) {
      const items = read(joined(start, tail.subarray(0, tail.length - 6)));
      expect(arrivalsOf(items)).toEqual([arrival()]);
      expect(reasonsOf(items)).toEqual(["cut"]);
    }
  });

  test("thousands of interfaces do not fill the memory", () => {
    const one = little.interface();
    const decoder = createCaptureDecoder();
    decoder.push(little.section());
    const faults = Array.from({ length: 5000 }, () => decoder.push(one)).flat();
    expect(reasonsOf(faults)).toEqual(Array.from({ length: 904 }, () => "interface_limit"));
  });
});
