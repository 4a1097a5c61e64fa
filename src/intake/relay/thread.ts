/**
 * The passage's own thread: the sockets of both sides and nothing that could hold them up. It never touches the store;
 * should the recording stand still or end, datagrams pass all the same. Started by start.ts.
 */
import { lookup } from "node:dns/promises";
import { parentPort, workerData } from "node:worker_threads";
import { TroubleLog } from "../guards.ts";
import type { FromRecorder, ToRecorder } from "../recorder-input.ts";
import { KernelDrops, setThreadPriority, systemTimeUs } from "../system.ts";
import { openUdpListener, type UdpListener, udpTrouble } from "../udp-listener.ts";
import { CopyQueue } from "./copies.ts";
import { Passage } from "./relay.ts";
import type { FromPassage, PassageThreadSettings, ToPassage } from "./start.ts";
import { relayTargetText } from "./targets.ts";

const FIGURES_EVERY_MS = 500;
const TEND_EVERY_MS = 1_000;
/** Before everything else of this program, where the user may ask for that. */
const COMES_FIRST = -10;

const port = parentPort;
if (port === null) throw new Error("src/intake/relay/thread.ts runs as a worker thread only.");
const settings = workerData as PassageThreadSettings;

function say(message: FromPassage): void {
  port?.postMessage(message);
}

function post(message: ToRecorder): void {
  settings.copies.postMessage(message);
}

const troubleLog = new TroubleLog((sentence) => say({ kind: "log", sentence }));

async function run(): Promise<void> {
  setThreadPriority(COMES_FIRST);
  let udp: UdpListener | null = null;
  const queue = new CopyQueue({
    post: (batch) => post({ kind: "copies", batch }),
    soon: (work) => void setImmediate(work),
  });
  const passage = new Passage({
    targets: settings.targets,
    lookUp: async (host) => (await lookup(host, { all: true })).map(({ address }) => address),
    clock: {
      monotonicMs: () => performance.now(),
      nowUs: systemTimeUs,
      after: (delayMs, work) => void setTimeout(work, delayMs).unref(),
    },
    onCopy: (copy) => queue.add(copy),
    isOwnEndpoint: (endpoint) => udp?.isOwnEndpoint(endpoint) === true,
  });
  // Names first: what arrives once the port is open has somewhere to go.
  await passage.start();
  let opened: UdpListener;
  try {
    opened = await openUdpListener({
      host: settings.udpHost,
      port: settings.udpPort,
      nowUs: systemTimeUs,
      onArrival: (arrival, send) => passage.receive({ ...arrival, door: "relay" }, send),
      onTrouble: (error) => troubleLog.note(error, performance.now()),
    });
  } catch (error) {
    giveUp(udpTrouble(error, settings.udpPort));
    return;
  }
  udp = opened;
  const loop = passage
    .figures()
    .upstreams.find(
      ({ address, port: at }) => address !== null && opened.isOwnEndpoint({ address, port: at }),
    );
  if (loop !== undefined) {
    await opened.close();
    giveUp({
      sentence: `${relayTargetText(loop)} is this relay itself: datagrams would circle without end.`,
      remedy: "Give the address of the network server with --relay, or another port with --udp-port.",
    });
    return;
  }
  const { receiveBuffer } = opened;
  const kernelDrops = new KernelDrops({ endpoints: opened.endpoints });
  const figures = () => ({
    ...passage.figures(),
    copiesLost: queue.lost,
    kernelDrops: kernelDrops.count,
    receiveBuffer,
  });
  const postFigures = () => say({ kind: "figures", figures: figures() });
  const timers = [
    setInterval(postFigures, FIGURES_EVERY_MS),
    setInterval(() => passage.tend(), TEND_EVERY_MS),
    setInterval(() => void kernelDrops.look(), TEND_EVERY_MS),
  ];

  settings.copies.on("message", (message: FromRecorder) => {
    if (message.kind === "stored") queue.stored(message.count);
  });
  port?.on("message", (message: ToPassage) => {
    if (message.kind === "close") void shutDown(message.untilMs);
    else queue.end();
  });
  say({ kind: "ready", udp: opened.endpoints, figures: figures() });

  function giveUp(why: { sentence: string; remedy: string }): void {
    say({ kind: "unable", ...why });
    passage.close();
    settings.copies.close();
    port?.close();
  }

  async function shutDown(untilMs: number): Promise<void> {
    for (const timer of timers) clearInterval(timer);
    await opened.close();
    passage.close();
    queue.flush();
    post({ kind: "end", untilMs });
    postFigures();
    settings.copies.close();
    port?.close();
  }
}

await run();
