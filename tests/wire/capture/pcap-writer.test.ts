/** Does what is written come back, and do other tools agree that it is right? */
import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import * as fc from "fast-check";
import { describe, expect, it, test } from "vitest";
import { holds } from "../forwarder/arbitraries.ts";
import { arrival, arrivalsOf, joined, read, reasonsOf, someTimeUs } from "./octets.ts";
import { createPcapWriter, udpFrames } from "./other-captures.ts";
import { pcapngBlocks } from "./pcapng-writer.ts";

const port = fc.nat(65_535);
const four = fc.tuple(fc.ipV4(), fc.ipV4());
const six = fc
  .tuple(fc.nat(0xffff), fc.nat(0xffff))
  .map(([a, b]) => [`2001:db8::${(a | 1).toString(16)}`, `2001:db8:0:${(b | 1).toString(16)}::7`] as const);
const anyArrival = fc
  .record({
    addresses: fc.oneof(four, six),
    fromPort: port,
    toPort: port,
    bytes: fc.oneof(
      fc.uint8Array({ maxLength: 200 }),
      fc.uint8Array({ minLength: 1400, maxLength: 6000, size: "max" }),
    ),
    atUs: fc.nat({ max: 4_294_967_295_999_999 }),
  })
  .map(({ addresses: [from, to], fromPort, toPort, bytes, atUs }) =>
    arrival({
      bytes,
      atUs,
      from: { address: from, port: fromPort },
      to: { address: to, port: toPort },
    }),
  );
const writerOptions = fc.record({
  linkType: fc.constantFrom(0 as const, 1 as const, 101 as const, 108 as const, 113 as const, 276 as const),
  nanoseconds: fc.boolean(),
  byteOrder: fc.constantFrom("little" as const, "big" as const),
  mtuOctets: fc.integer({ min: 296, max: 1500 }),
});

describe("round trip", () => {
  test("any datagrams come back from a pcap file, in pieces of any size, fragmented ones whole", () => {
    holds(
      fc.property(
        fc.array(anyArrival, { minLength: 1, maxLength: 5 }),
        writerOptions,
        fc.integer({ min: 1, max: 5000 }),
        (all, options, piece) => {
          const writer = createPcapWriter(options);
          const items = read(joined(writer.header, ...all.map((one) => writer.datagram(one))), piece);
          expect(arrivalsOf(items)).toEqual(all);
          expect(reasonsOf(items)).toEqual([]);
        },
      ),
      { numRuns: 60 },
    );
  });

  test("any datagrams come back from a pcapng file", () => {
    holds(
      fc.property(fc.array(anyArrival, { minLength: 1, maxLength: 4 }), fc.boolean(), (all, littleEndian) => {
        const write = pcapngBlocks(littleEndian);
        const blocks = all.flatMap((one, identification) =>
          udpFrames(one, { linkType: 1, mtuOctets: 1500, identification }).map((frame) =>
            write.enhanced(0, BigInt(one.atUs), frame),
          ),
        );
        expect(arrivalsOf(read(joined(write.section(), write.interface(), ...blocks), 777))).toEqual(all);
      }),
      { numRuns: 40 },
    );
  });

  test("the largest datagram of either version of IP comes back", () => {
    for (const [address, octets] of [
      ["192.0.2.1", 65_507],
      ["2001:db8::1", 65_519],
    ] as const) {
      const largest = arrival({
        bytes: Uint8Array.from({ length: octets }, (_, at) => at & 0xff),
        from: { address, port: 1 },
        to: { address, port: 2 },
      });
      const writer = createPcapWriter();
      expect(arrivalsOf(read(joined(writer.header, writer.datagram(largest))))).toEqual([largest]);
      expect(() => writer.datagram({ ...largest, bytes: new Uint8Array(octets + 1) })).toThrow(RangeError);
    }
  });

  test("IPv4 beside IPv6 is written as a mapped address", () => {
    const mixed = arrival({ to: { address: "::1", port: 1700 } });
    const writer = createPcapWriter();
    const [back] = arrivalsOf(read(joined(writer.header, writer.datagram(mixed))));
    expect(back?.from.address).toBe("::ffff:192.0.2.10");
  });

  test("the same calls give the same octets", () => {
    const write = () => {
      const writer = createPcapWriter({ mtuOctets: 300 });
      return joined(
        writer.header,
        writer.datagram(arrival({ bytes: new Uint8Array(900) })),
        writer.datagram(arrival()),
      );
    };
    expect(write()).toEqual(write());
  });

  test("what no capture can hold is refused", () => {
    const writer = createPcapWriter();
    for (const change of [
      { atUs: -1 },
      { atUs: 2 ** 32 * 1_000_000 },
      { atUs: 0.5 },
      { from: { address: "gateway", port: 1 } },
      { to: { address: "192.0.2.1", port: 65_536 } },
      { to: { address: "192.0.2.1", port: -1 } },
      { from: { address: "192.0.2.10", port: 1.5 } },
    ]) {
      expect(() => writer.datagram(arrival(change))).toThrow(RangeError);
    }
  });
});

function hasTcpdump(): boolean {
  try {
    execFileSync("tcpdump", ["--version"], { stdio: "ignore" });
    return true;
  } catch {
    return false;
  }
}

describe("tcpdump", () => {
  const present = hasTcpdump();
  const title = present ? "" : " (skipped: tcpdump is not on this machine)";
  // Port 1700 is something else to tcpdump, which would not show the length then.
  const to = { address: "192.0.2.1", port: 17_000 };
  const over6 = {
    from: { address: "2001:db8::10", port: 40_123 },
    to: { address: "2001:db8::1", port: 17_000 },
  };

  /** One line a packet: seconds, what tcpdump says of it. */
  function tcpdump(file: Uint8Array): string {
    const folder = mkdtempSync(join(tmpdir(), "capture-"));
    try {
      const path = join(folder, "written");
      writeFileSync(path, file);
      return execFileSync("tcpdump", ["-r", path, "-nn", "-tt", "-vv"], {
        encoding: "utf8",
        stdio: ["ignore", "pipe", "ignore"],
      });
    } finally {
      rmSync(folder, { recursive: true });
    }
  }

  for (const [name, linkType] of [
    ["Ethernet", 1],
    ["raw IP", 101],
    ["Linux cooked v1", 113],
    ["Linux cooked v2", 276],
    ["BSD loopback", 0],
    ["OpenBSD loopback", 108],
  ] as const) {
    it.skipIf(!present)(`reads what is written as ${name}, checksums right${title}`, () => {
      const writer = createPcapWriter({ linkType });
      const text = tcpdump(
        joined(writer.header, writer.datagram(arrival({ to })), writer.datagram(arrival(over6))),
      );
      expect(text).toContain("1772344800.000123");
      expect(text).toMatch(/192\.0\.2\.10\.40123 > 192\.0\.2\.1\.17000: \[udp sum ok\] UDP, length 12/);
      expect(text).toMatch(/2001:db8::10\.40123 > 2001:db8::1\.17000: \[udp sum ok\] UDP, length 12/);
      expect(text).not.toContain("bad cksum");
    });
  }

  it.skipIf(!present)(`reads either byte order and nanoseconds${title}`, () => {
    for (const byteOrder of ["little", "big"] as const) {
      const writer = createPcapWriter({ byteOrder, nanoseconds: true });
      expect(tcpdump(joined(writer.header, writer.datagram(arrival({ to }))))).toContain("1772344800.000123");
    }
  });

  it.skipIf(!present)(`sees fragments where a datagram is longer than the link allows${title}`, () => {
    const writer = createPcapWriter();
    const bytes = new Uint8Array(3000);
    const text = tcpdump(
      joined(
        writer.header,
        writer.datagram(arrival({ bytes, to })),
        writer.datagram(arrival({ bytes, ...over6 })),
      ),
    );
    expect(text).toContain("UDP, length 3000");
    expect(text).toMatch(/offset 1480, flags \[\+\]/);
    expect(text).toMatch(/frag \(0x00000001:0\|1448\)/);
    expect(text).not.toContain("bad cksum");
  });

  it.skipIf(!present)(`reads the pcapng files that the tests are built on${title}`, () => {
    for (const littleEndian of [true, false]) {
      const write = pcapngBlocks(littleEndian);
      const [frame] = udpFrames(arrival({ to }), { linkType: 1, mtuOctets: 1500, identification: 1 });
      const file = joined(
        write.section(),
        write.interface({ options: [[9, Uint8Array.of(9)]] }),
        write.enhanced(0, BigInt(someTimeUs) * 1000n, frame!),
        write.obsolete(0, 0, BigInt(someTimeUs) * 1000n, frame!),
      );
      const text = tcpdump(file);
      expect(text.match(/1772344800\.000123/g)).toHaveLength(2);
      expect(text.match(/udp sum ok/g)).toHaveLength(2);
    }
  });
});
