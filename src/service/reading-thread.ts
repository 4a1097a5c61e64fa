/**
 * A reading thread: one reading connection, one question at a time, answered by the views. Started by reading-pool.ts;
 * its settings are its worker data, its life ends with `close` or when a question that nobody waits for is cut off.
 */
import { getHeapStatistics, setFlagsFromString } from "node:v8";
import { runInNewContext } from "node:vm";
import { parentPort, workerData } from "node:worker_threads";
import { setThreadPriority } from "../intake/system.ts";
import { SiteReader } from "../store/narrowed.ts";
import { openFurtherReader, type Store } from "../store/open.ts";
import {
  type FromReadingThread,
  failureOf,
  type ReadingSettings,
  type ToReadingThread,
} from "./reading-messages.ts";
import { storeViews } from "./store-views.ts";
import type { Views } from "./views.ts";

/** Who records and who answers gateways come first. Chosen: half of an equal thread's share when all want all. */
const GIVES_WAY = 3;

/** A heap that has grown beyond this is emptied after the answer. Chosen: after that, 40 to 60 MB stayed. */
const KEPT_HEAP_MB = 64;

const port = parentPort;
if (port === null) throw new Error("src/service/reading-thread.ts runs as a worker thread only.");
const settings = workerData as ReadingSettings;

let store: Store | null = null;
const sites = new SiteReader(() => openFurtherReader(settings.file));
let views: Views | null = null;

/** Opened with the first question, so that a store that cannot be opened is that question's error. */
function openViews(): Views {
  store ??= openFurtherReader(settings.file);
  views ??= storeViews(store, settings.ownPlans, sites);
  return views;
}

function answer({ question, asked }: Extract<ToReadingThread, { kind: "ask" }>): FromReadingThread {
  try {
    const ask = openViews()[question] as (...args: readonly unknown[]) => unknown;
    return { kind: "answered", answer: ask(...asked) };
  } catch (error) {
    return { kind: "failed", failure: failureOf(error) };
  }
}

/**
 * Collects what a large answer left behind. V8 by itself waits until the heap has grown again, which a thread that is
 * asked little may never see; Node has no other way to the collector than this flag.
 */
setFlagsFromString("--expose-gc");
const collectGarbage = runInNewContext("gc") as () => void;

function giveBack(): void {
  // A second time where the first has left half-empty pages: it brings together what is on them.
  for (let times = 0; times < 2; times++)
    if (getHeapStatistics().total_heap_size > KEPT_HEAP_MB * 2 ** 20) collectGarbage();
}

setThreadPriority(GIVES_WAY);
port.on("message", (message: ToReadingThread) => {
  if (message.kind === "ask") {
    port.postMessage(answer(message));
    giveBack();
  } else {
    sites.close();
    store?.close();
    port.close();
  }
});
