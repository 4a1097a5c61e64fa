/** Is a capture on disk read in a stream, packed or not, for the datagrams of the server that it shows? */
import { createHash } from "node:crypto";
import { existsSync, mkdtempSync, readdirSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { gzipSync } from "node:zlib";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import {
  CaptureUnreadable,
  digestCapture,
  openCapture,
  readCapture,
} from "../../src/intake/capture-reader.ts";
import type { Arrival } from "../../src/model/datagram.ts";
import type { CaptureItem } from "../../src/wire/capture/capture-decoder.ts";
import { encodeRecordedDatagram } from "../../src/wire/capture/recorded-datagrams.ts";
import { arrival, arrivalsOf, hex, joined, reasonsOf, someTimeUs } from "../wire/capture/octets.ts";
import { createPcapWriter, type PcapWriterOptions } from "../wire/capture/other-captures.ts";

let folder = "";
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "capture-file-"));
});
afterAll(() => rmSync(folder, { recursive: true }));

let written = 0;
function onDisk(content: Uint8Array): string {
  const path = join(folder, `capture-${written++}`);
  writeFileSync(path, content);
  return path;
}

const server = { address: "192.0.2.1", port: 1700 };
const gateway = { address: "192.0.2.10", port: 40_123 };
const eui = "02005E1000000001";
const pushData = (token: number): Uint8Array =>
  joined(
    Uint8Array.of(2, token >> 8, token & 0xff, 0),
    hex(eui),
    new Uint8Array(Buffer.from(`{"stat":{"rxnb":${token}}}`)),
  );

/** Uplinks to the server, each acknowledged, and a name server's traffic beside them. */
function traffic(rounds: number, ports: { readonly gateway?: number } = {}): Arrival[] {
  const from = { ...gateway, port: ports.gateway ?? gateway.port };
  return Array.from({ length: rounds }, (_, token) => {
    const atUs = someTimeUs + token * 1_000_000;
    return [
      arrival({ from, to: server, bytes: pushData(token), atUs }),
      arrival({
        from: server,
        to: from,
        bytes: Uint8Array.of(2, token >> 8, token & 0xff, 1),
        atUs: atUs + 900,
      }),
      arrival({ to: { address: "192.0.2.53", port: 53 }, bytes: hex("abcd0100"), atUs: atUs + 1000 }),
    ];
  }).flat();
}

function pcap(arrivals: readonly Arrival[], options: PcapWriterOptions = {}): Uint8Array {
  const writer = createPcapWriter(options);
  return joined(writer.header, ...arrivals.map((one) => writer.datagram(one)));
}

async function all(items: AsyncIterable<CaptureItem[]>): Promise<CaptureItem[]> {
  const list: CaptureItem[] = [];
  for await (const batch of items) list.push(...batch);
  return list;
}

/** What goes to the server, and what comes from it. */
const oursOf = (arrivals: readonly Arrival[]): Arrival[] =>
  arrivals.filter(({ to, from }) => to === server || from === server);
const failure = (work: Promise<unknown>): Promise<unknown> =>
  work.then(
    () => null,
    (error: unknown) => error,
  );

describe("port", () => {
  test("the server's port is recognised: both directions are given, other traffic counted", async () => {
    const sent = traffic(40);
    const reading = await openCapture(onDisk(pcap(sent)));
    expect(reading).toMatchObject({ format: "pcap", serverPorts: [1700] });
    expect(arrivalsOf(await all(reading.items()))).toEqual(oursOf(sent));
    expect(reading.otherTraffic).toBe(40);
  });

  test("the server's port number at gateways too leaves both directions readable", async () => {
    const sent = traffic(10, { gateway: 1700 });
    const reading = await openCapture(onDisk(pcap(sent)));
    expect(reading.serverPorts).toEqual([1700]);
    expect(arrivalsOf(await all(reading.items()))).toEqual(oursOf(sent));
    expect(reading.otherTraffic).toBe(10);
  });

  test("a port that is given is taken as it is", async () => {
    const path = onDisk(pcap(traffic(3)));
    const reading = await openCapture(path, { udpPort: 53 });
    const items = await all(reading.items());
    expect(arrivalsOf(items).map(({ to }) => to.port)).toEqual([53, 53, 53]);
    expect(reading.otherTraffic).toBe(6);
  });

  test("traffic that starts late in a long file is found", async () => {
    const noise = Array.from({ length: 21_000 }, (_, at) =>
      arrival({ to: { address: "192.0.2.53", port: 53 }, bytes: hex("abcd0100"), atUs: someTimeUs + at }),
    );
    const reading = await openCapture(onDisk(pcap([...noise, ...traffic(5)])));
    expect(reading.serverPorts).toEqual([1700]);
    expect(arrivalsOf(await all(reading.items()))).toHaveLength(10);
  });

  test("a cut frame of somebody else's is not our loss, and one of ours is", async () => {
    const long = [
      arrival({ from: gateway, to: server, bytes: hex(`02 0001 02 ${eui}`) }),
      arrival({ from: gateway, to: server, bytes: pushData(1) }),
      arrival({ to: { address: "192.0.2.53", port: 53 }, bytes: new Uint8Array(200) }),
    ];
    const reading = await openCapture(onDisk(pcap(long, { snapshotOctets: 60 })));
    const items = await all(reading.items());
    expect(arrivalsOf(items)).toHaveLength(1);
    expect(reasonsOf(items)).toEqual(["snapped"]);
  });
});

describe("stream", () => {
  test("items come in batches of at most 500, progress rises to 1, and the digest is known at the end", async () => {
    const content = pcap(traffic(2000));
    const shares: number[] = [];
    const reading = await openCapture(onDisk(content), { onProgress: (share) => shares.push(share) });
    expect(reading.digest).toBeNull();
    const sizes: number[] = [];
    for await (const batch of reading.items()) sizes.push(batch.length);
    expect(sizes.reduce((sum, size) => sum + size, 0)).toBe(4000);
    expect(Math.max(...sizes)).toBeLessThanOrEqual(500);
    expect(shares).toEqual(shares.toSorted((a, b) => a - b));
    expect(shares.at(-1)).toBe(1);
    expect(reading.readOctets).toBe(content.length);
    expect(reading.digest).toBe(createHash("sha256").update(content).digest("hex"));
  });

  test("the items can be gone through again with the same figures", async () => {
    const reading = await openCapture(onDisk(pcap(traffic(10))));
    const first = await all(reading.items());
    const figures = [reading.otherTraffic, reading.digest];
    expect(await all(reading.items())).toEqual(first);
    expect([reading.otherTraffic, reading.digest]).toEqual(figures);
  });

  const descriptors = "/proc/self/fd";
  const counted = existsSync(descriptors);
  test.skipIf(!counted)(
    `a reader who stops early leaves no file open${counted ? "" : " (skipped: open files cannot be counted here)"}`,
    async () => {
      const path = onDisk(gzipSync(pcap(traffic(2000))));
      const before = readdirSync(descriptors).length;
      for (let round = 0; round < 8; round++) {
        for await (const batch of readCapture(path)) {
          expect(batch.length).toBeGreaterThan(0);
          break;
        }
      }
      expect(readdirSync(descriptors).length).toBeLessThan(before + 4);
    },
  );

  test("recorded datagrams are read like a capture", async () => {
    const sent = traffic(5);
    const text = sent.map(encodeRecordedDatagram).join("");
    const reading = await openCapture(onDisk(new Uint8Array(Buffer.from(text))));
    expect(reading.format).toBe("recorded-datagrams");
    expect(arrivalsOf(await all(reading.items()))).toEqual(oursOf(sent));
  });
});

describe("gzip", () => {
  test("a packed file gives the same items and the same digest as the plain one", async () => {
    const content = pcap(traffic(3000));
    const plain = onDisk(content);
    const packed = onDisk(gzipSync(content));
    expect(await all(readCapture(packed))).toEqual(await all(readCapture(plain)));
    expect(await digestCapture(packed)).toBe(await digestCapture(plain));
    expect(await digestCapture(plain)).toBe(createHash("sha256").update(content).digest("hex"));
  });

  test("members one after another are one file", async () => {
    const content = pcap(traffic(300));
    const cut = 7001;
    const path = onDisk(joined(gzipSync(content.subarray(0, cut)), gzipSync(content.subarray(cut))));
    const reading = await openCapture(path);
    expect(arrivalsOf(await all(reading.items()))).toHaveLength(600);
    expect(reading.digest).toBe(createHash("sha256").update(content).digest("hex"));
  });

  test("a packed file that ends early gives what was whole, and says so", async () => {
    const sent = traffic(3000);
    const packed = gzipSync(pcap(sent));
    const reading = await openCapture(onDisk(packed.subarray(0, Math.floor(packed.length * 0.8))));
    const items = await all(reading.items());
    const whole = arrivalsOf(items);
    expect(whole.length).toBeGreaterThan(1500);
    expect(whole).toEqual(oursOf(sent).slice(0, whole.length));
    expect(reasonsOf(items)).toContain("gzip_cut");
  });

  test("damage within a packed file gives what came before, and says so", async () => {
    const packed = gzipSync(pcap(traffic(6000)));
    const middle = packed.length >> 1;
    const damaged = joined(
      packed.subarray(0, middle),
      new Uint8Array(64).fill(0xff),
      packed.subarray(middle + 64),
    );
    const items = await all(readCapture(onDisk(damaged)));
    expect(arrivalsOf(items).length).toBeGreaterThan(1000);
    expect(reasonsOf(items).some((reason) => reason === "gzip")).toBe(true);
  });

  test("something else behind the last member is left aside", async () => {
    const path = onDisk(joined(gzipSync(pcap(traffic(5))), new Uint8Array(100_000)));
    const items = await all(readCapture(path));
    expect(arrivalsOf(items)).toHaveLength(10);
    expect(reasonsOf(items)).toEqual([]);
  });
});

describe("unreadable", () => {
  const cases: readonly (readonly [string, string, () => string])[] = [
    ["no such file", "missing", () => join(folder, "nowhere.pcap")],
    ["a folder", "no_file", () => folder],
    ["an empty file", "empty", () => onDisk(new Uint8Array(0))],
    ["a packed file with nothing in it", "empty", () => onDisk(gzipSync(new Uint8Array(0)))],
    ["a file of another kind", "format", () => onDisk(new Uint8Array(Buffer.from("<html></html>")))],
    ["a capture without a frame", "no_traffic", () => onDisk(createPcapWriter().header)],
    ["a capture of other traffic", "no_traffic", () => onDisk(pcap([arrival({ bytes: hex("abcd") })]))],
  ];
  for (const [what, reason, path] of cases) {
    test(`${what} is refused with a plain sentence and a hint`, async () => {
      const error = await failure(openCapture(path()));
      expect(error).toBeInstanceOf(CaptureUnreadable);
      expect(error).toMatchObject({ reason });
      if (error instanceof CaptureUnreadable) {
        expect(error.message).toMatch(/\.$/);
        expect(error.hint.length).toBeGreaterThan(5);
      }
    });
  }

  test("frames that were cut too short, or of a kind that is not read, are told apart", async () => {
    const cut = await failure(openCapture(onDisk(pcap(traffic(3), { snapshotOctets: 30 }))));
    expect(cut).toMatchObject({ reason: "no_traffic", message: expect.stringContaining("cut short") });
    const wireless = pcap(traffic(3));
    new DataView(wireless.buffer).setUint32(20, 105, true);
    const unknown = await failure(openCapture(onDisk(wireless)));
    expect(unknown).toMatchObject({ reason: "no_traffic", message: expect.stringContaining("of a kind") });
  });

  test("the digest of a file that is not there is refused alike", async () => {
    expect(await failure(digestCapture(join(folder, "nowhere.pcap")))).toMatchObject({ reason: "missing" });
  });
});
