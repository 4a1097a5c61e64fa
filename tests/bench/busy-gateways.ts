/**
 * Busy gateways for the benchmarks: each speaks from a socket of its own, at a steady rate whatever comes back, and
 * notes how long each answer took.
 */
import { createSocket, type Socket } from "node:dgram";
import { busyDatagram } from "./traffic.ts";

export interface Traffic {
  readonly gateways: number;
  /** Datagrams a second of all gateways. */
  readonly perSecond: number;
  readonly seconds: number;
  /** Number of the first datagram: what was sent before is not sent again. */
  readonly first: number;
}

/** After the last datagram answers are awaited for so long. */
const LAST_ANSWERS_MS = 1_000;

/** Milliseconds from each datagram to its answer, in the order of sending; NaN: none came within a second of the last one. */
export async function sendBusily(port: number, traffic: Traffic): Promise<Float64Array> {
  const { gateways, perSecond, seconds, first } = traffic;
  const count = Math.floor((perSecond * seconds) / gateways) * gateways;
  if (first % gateways !== 0) throw new Error("A benchmark begins with its first gateway.");
  const datagrams = Array.from({ length: count }, (_, i) => busyDatagram(first + i, gateways));
  const sentMs = new Float64Array(count);
  const waitsMs = new Float64Array(count).fill(Number.NaN);
  const firstToken = first / gateways;
  let heard = 0;
  const sockets = await Promise.all(
    Array.from({ length: gateways }, (_, gateway) =>
      connect(port, (answer) => {
        const round = (answer.readUInt16BE(1) - firstToken) & 0xffff;
        const i = round * gateways + gateway;
        if (!Number.isNaN(waitsMs[i])) return;
        waitsMs[i] = performance.now() - (sentMs[i] ?? 0);
        heard += 1;
      }),
    ),
  );
  const startMs = performance.now();
  let next = 0;
  await new Promise<void>((done) => {
    const timer = setInterval(() => {
      const nowMs = performance.now();
      const due = Math.min(count, Math.floor(((nowMs - startMs) / 1_000) * perSecond));
      for (; next < due; next++) {
        sentMs[next] = performance.now();
        sockets[next % gateways]?.send(datagrams[next] ?? "");
      }
      if (next < count || (heard < count && nowMs - (sentMs[count - 1] ?? 0) < LAST_ANSWERS_MS)) return;
      clearInterval(timer);
      done();
    }, 1);
  });
  for (const socket of sockets) socket.close();
  return waitsMs;
}

function connect(port: number, onAnswer: (answer: Buffer) => void): Promise<Socket> {
  const socket = createSocket("udp4");
  socket.on("message", onAnswer);
  // A server that has ended refuses what is sent: the wait stays NaN.
  socket.on("error", () => undefined);
  return new Promise((resolve) =>
    socket.connect(port, "127.0.0.1", () => {
      // Answers wait here while this program sends.
      socket.setRecvBufferSize(1024 * 1024);
      resolve(socket);
    }),
  );
}

/** The value that this share of the values does not exceed; an answer that never came counts as a second. */
export function quantile(values: Iterable<number>, share: number): number {
  const sorted = Float64Array.from(values, (one) => (Number.isNaN(one) ? LAST_ANSWERS_MS : one)).sort();
  return sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))] ?? Number.NaN;
}
