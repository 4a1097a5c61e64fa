/** Are captures that another program took of real sockets read whole? Origin: tests/data/capture/origin.md. */

import { readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { decodeUpstream } from "../../../src/wire/forwarder/upstream.ts";
import { arrivalsOf, read, reasonsOf, recogniseServerPorts } from "./octets.ts";

describe.each(["lo-ethernet", "any-cooked2", "any-cooked", "lo-fragments"])("%s.pcap", (name) => {
  const items = read(readFileSync(new URL(`../../data/capture/${name}.pcap`, import.meta.url)), 1000);
  const arrivals = arrivalsOf(items);

  test("every datagram comes with both ends and its length, and nothing is amiss", () => {
    expect(reasonsOf(items)).toEqual([]);
    const both = (address: string, port: number): string[] => [
      `${address} ${port} > 17000: 12`,
      `${address} 17000 > ${port}: 4`,
      `${address} ${port} > 17000: 1987`,
      `${address} 17000 > ${port}: 4`,
    ];
    expect(
      arrivals.map(({ from, to, bytes }) => `${from.address} ${from.port} > ${to.port}: ${bytes.length}`),
    ).toEqual([...both("127.0.0.1", 41_000), ...both("::1", 41_001)]);
  });

  test("times lie within the second in which it was taken and never step back", () => {
    const times = arrivals.map(({ atUs }) => atUs);
    expect(times).toEqual(times.toSorted((a, b) => a - b));
    const taken = Date.UTC(2026, 10, 25, 16, 11, 43) * 1000;
    expect(times[0]).toBeGreaterThanOrEqual(taken);
    expect(times.at(-1)).toBeLessThan(taken + 20_000_000);
  });

  test("the server's port is recognised and the split PUSH_DATA holds its twelve packets", () => {
    expect(recogniseServerPorts(arrivals)).toEqual([17_000]);
    const pushes = arrivals
      .filter(({ bytes }) => bytes.length === 1987)
      .map(({ bytes }) => decodeUpstream(bytes));
    for (const decoded of pushes) {
      expect(decoded).toMatchObject({ ok: true, datagram: { kind: "push-data" }, oddities: [] });
      if (decoded.ok && decoded.datagram.kind === "push-data")
        expect(decoded.datagram.packets).toHaveLength(12);
    }
    expect(pushes).toHaveLength(2);
  });
});
