/**
 * The listener's own thread: the UDP sockets, the answers, the bounded buffer, the downlink test. It touches no store and
 * waits for nobody. Started by start-listener.ts; its settings are its worker data, its life ends with `close`.
 */
import { parentPort, workerData } from "node:worker_threads";
import { encodePullResponse } from "../wire/forwarder/encode.ts";
import { packDatagrams } from "./datagram-batch.ts";
import { TransmitDesk } from "./downlink-test.ts";
import { TroubleLog } from "./guards.ts";
import { Listener } from "./listener.ts";
import type { FromRecorder, ToRecorder } from "./recorder-input.ts";
import { KernelDrops, processMs, setThreadPriority, systemTimeUs } from "./system.ts";
import type { FromListener, ListenerSettings, ToListener } from "./thread-messages.ts";
import { openUdpListener, type UdpListener, udpTrouble } from "./udp-listener.ts";

const FIGURES_EVERY_MS = 500;
const KERNEL_DROPS_EVERY_MS = 1_000;
/** Before everything else of this program, where the user may ask for that. */
const COMES_FIRST = -10;
/** At the end: reading goes on until nothing more has come for so long, but no longer than the second time. */
const QUIET_MS = 20;
const LAST_READING_MS = 2_000;
/** Before the end of all: the recorder has given up by itself by then, and closes the store. */
const LAST_WAITING_MS = 500;

const port = parentPort;
if (port === null) throw new Error("src/intake/listener-thread.ts runs as a worker thread only.");
const settings = workerData as ListenerSettings;

function say(message: FromListener): void {
  port?.postMessage(message);
}

function post(message: ToRecorder, transfer: ArrayBuffer[] = []): void {
  settings.recorder.postMessage(message, transfer);
}

const clock = {
  monotonicMs: () => performance.now(),
  after: (delayMs: number, work: () => void) => void setTimeout(work, delayMs),
  soon: (work: () => void) => void setImmediate(work),
};

async function run(): Promise<void> {
  setThreadPriority(COMES_FIRST);
  const log = (sentence: string) => say({ kind: "log", sentence });
  const troubleLog = new TroubleLog(log);
  const desk = new TransmitDesk({
    allowed: settings.allowTransmit,
    clock: { ...clock, nowUs: systemTimeUs },
    log,
    onSent: (arrival, gatewayEui) => listener.sent(arrival, gatewayEui),
  });
  const listener: Listener = new Listener({
    clock,
    isOwnEndpoint: (endpoint) => udp.isOwnEndpoint(endpoint),
    ...(settings.allowTransmit ? { desk } : {}),
    sparing: settings.sparing,
    post: (datagrams) => {
      const batch = packDatagrams(datagrams);
      post({ kind: "datagrams", batch }, [batch.octets.buffer]);
    },
  });
  let drained: () => void = () => undefined;
  const hasDrained = new Promise<void>((resolve) => {
    drained = resolve;
  });
  settings.recorder.on("message", (message: FromRecorder) => {
    if (message.kind === "stored") listener.stored(message.count);
    else drained();
  });
  // The recorder's thread is gone: nobody will report anything.
  settings.recorder.on("close", () => drained());
  let udp: UdpListener;
  try {
    udp = await openUdpListener({
      host: settings.udpHost,
      port: settings.udpPort,
      nowUs: systemTimeUs,
      onArrival: (arrival, send) => listener.receive(arrival, send),
      onTrouble: (error) => troubleLog.note(error, performance.now()),
    });
  } catch (error) {
    say({ kind: "unable", ...udpTrouble(error, settings.udpPort) });
    settings.recorder.close();
    port?.close();
    return;
  }
  const { receiveBuffer, endpoints } = udp;
  const kernelDrops = new KernelDrops({ endpoints });
  await kernelDrops.look();
  const figures = () => ({ ...listener.figures(), kernelDrops: kernelDrops.count, receiveBuffer });
  const postFigures = () => say({ kind: "figures", figures: figures() });
  const timers = [
    setInterval(postFigures, FIGURES_EVERY_MS),
    setInterval(() => void kernelDrops.look(), KERNEL_DROPS_EVERY_MS),
  ];
  port?.on("message", (message: ToListener) => {
    if (message.kind === "transmit") void transmit(message);
    else if (message.kind === "close") void shutDown(message.untilMs);
    else message satisfies never;
  });
  say({ kind: "ready", udp: endpoints, figures: figures() });

  async function transmit({ ticket, request }: Extract<ToListener, { kind: "transmit" }>): Promise<void> {
    const { gatewayEui, transmission, what } = request;
    try {
      const bytesFor = (version: 1 | 2, token: number) =>
        encodePullResponse({ version, token, transmission });
      say({ kind: "tested", ticket, outcome: await desk.send(gatewayEui, bytesFor, what) });
    } catch (error) {
      const sentence = error instanceof Error ? error.message : String(error);
      say({ kind: "not-tested", ticket, sentence });
    }
  }

  /** The protocol sends nothing twice: what the kernel holds already would be lost for good. */
  async function readTheRest(endMs: number): Promise<void> {
    const untilMs = Math.min(processMs() + LAST_READING_MS, endMs);
    for (let heard = -1; heard !== listener.figures().datagrams && processMs() < untilMs; ) {
      heard = listener.figures().datagrams;
      await new Promise((resolve) => setTimeout(resolve, QUIET_MS));
      // A timer that comes due runs before the sockets are read again: one more turn.
      await new Promise((resolve) => setImmediate(resolve));
    }
  }

  async function shutDown(untilMs: number): Promise<void> {
    await readTheRest(untilMs);
    udp.stopReceiving();
    listener.handOverAll();
    post({ kind: "end", untilMs });
    const timeout = setTimeout(drained, Math.max(0, untilMs - LAST_WAITING_MS - processMs()));
    await hasDrained;
    clearTimeout(timeout);
    for (const timer of timers) clearInterval(timer);
    await kernelDrops.look();
    // The last answers leave before the sockets close.
    await udp.close();
    postFigures();
    settings.recorder.close();
    port?.close();
  }
}

await run();
