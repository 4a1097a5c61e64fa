/** What does decoding a PUSH_DATA into receptions cost, as a multiple of the bare JSON.parse of its body? */
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import { decodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import type { BenchResult } from "./run.ts";
import { benchDatagram } from "./traffic.ts";

const DATAGRAMS = 2_000;
const ROUNDS = 30;

export function benchDecode(): BenchResult[] {
  const datagrams = Array.from({ length: DATAGRAMS }, (_, i) => Buffer.from(benchDatagram(i)));
  let kept = 0;
  const floor = microsecondsEach(datagrams, (bytes) => {
    kept += (JSON.parse(bytes.toString("utf8", 12)) as { rxpk: unknown[] }).rxpk.length;
  });
  const measured = microsecondsEach(datagrams, (bytes) => {
    const decoding = decodeUpstream(bytes);
    if (!decoding.ok || decoding.datagram.kind !== "push-data") return;
    for (const one of decoding.datagram.packets) {
      if (one.payload !== null && decodePhyPayload(one.payload).ok) kept += 1;
    }
  });
  if (kept === 0) throw new Error("Nothing was decoded: the benchmark measures nothing.");
  return [{ name: "decode µs", floor, measured, ratio: measured / floor }];
}

function microsecondsEach(datagrams: readonly Buffer[], work: (bytes: Buffer) => void): number {
  let best = Number.POSITIVE_INFINITY;
  for (let round = 0; round < ROUNDS; round++) {
    const startMs = performance.now();
    for (const bytes of datagrams) work(bytes);
    best = Math.min(best, performance.now() - startMs);
  }
  return (best / datagrams.length) * 1000;
}
