/** `mastlog listen`: the service. Receives gateways' datagrams, keeps them, shows them. */
import { existsSync } from "node:fs";
import { rmdir } from "node:fs/promises";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import closeWithGrace from "close-with-grace";
import { Command } from "commander";
import { pino } from "pino";
import type { WatchFile } from "../contract/watches.ts";
import { SPARING_NOTICE } from "../diagnosis/notices.ts";
import { type RelayTarget, relayTargetText } from "../intake/relay/targets.ts";
import { END_WITHIN_MS, startIntake } from "../intake/start.ts";
import { reachableAddresses } from "../intake/udp-listener.ts";
import { errorCode, errorText } from "../model/fault.ts";
import { plainJson, plainLine } from "../model/text.ts";
import { openReader, storeFile } from "../store/open.ts";
import { publishPlace } from "../store/settings.ts";
import { packageRoot } from "../store/upgrade.ts";
import {
  ListenOptions,
  type PublishTarget,
  publishTarget,
  readWatchFile,
  relayTargets,
  tokenGiven,
  withListenOptions,
} from "./listen-options.ts";
import { CannotRun, guarded, ownPlansGiven } from "./options.ts";
import { complain, print } from "./terminal.ts";
import { reportToSupervisor } from "./unit.ts";

export function listenCommand(version: string): Command {
  return withListenOptions(new Command("listen"))
    .description("receive gateways' datagrams, keep them, and show them in the dashboard")
    .option(
      "--record <file>",
      "append what is received to this file, too, as JSON lines that `import` reads (made for its owner alone)",
    )
    .action((given: unknown) => guarded(() => listen(given, version)));
}

/** `mastlog record -o FILE`: the service with `--record FILE`. */
export function recordCommand(version: string): Command {
  return withListenOptions(new Command("record"))
    .description("listen, and append what is received to a file of JSON lines that `import` reads")
    .option(
      "-o, --record <file>",
      "the file; made for its owner alone, appended to when it is there (must be given)",
    )
    .action((given: { record?: string }) =>
      guarded(() => {
        if (given.record === undefined) throw new CannotRun("Name the file to record to with -o FILE.jsonl.");
        return listen(given, version);
      }),
    );
}

async function listen(given: unknown, version: string): Promise<void> {
  const parsed = ListenOptions.safeParse(given);
  if (!parsed.success) throw new CannotRun("A port is a number from 0 to 65535 (0: any free one).");
  const options = parsed.data;
  const relay = relayTargets(options.relay);
  if (options.allowTransmit && relay.length > 0)
    throw new CannotRun(
      "--allow-transmit and --relay exclude each other: when it relays, the server owns the transmitter.",
    );
  const ownPlans = ownPlansGiven(given);
  const watches = options.watches === undefined ? null : readWatchFile(options.watches, process.env);
  const publish = publishTarget(options, process.env);
  const [{ ServiceUnusable }, { tokenFor }] = await Promise.all([
    import("../service/errors.ts"),
    import("../service/access.ts"),
  ]);
  let token: string | null;
  try {
    token = tokenFor(options.host, tokenGiven(options));
  } catch (error) {
    if (error instanceof ServiceUnusable) throw new CannotRun(`${error.message} ${error.remedy}`);
    throw error;
  }
  // From here on there is something to close, so a signal is heeded before all has started, too.
  const starting = startService(options, { relay, token, ownPlans, watches, publish, version });
  let isEnding = false;
  let stopReporting: () => void = () => undefined;
  const progress = new EndProgress();
  const orderly = { delay: LAST_RESORT_MS, logger: false, ...progress.words } as const;
  const graceful = closeWithGrace(orderly, async ({ err }) => {
    isEnding = true;
    stopReporting();
    if (err !== undefined) complain(`${err.stack ?? err.message}\n`);
    const running = await starting.catch(() => null);
    await running?.end(progress);
  });
  try {
    const { readyLine } = await starting;
    if (!isEnding) {
      print(`${readyLine}\n`);
      stopReporting = reportToSupervisor();
    }
  } catch (error) {
    graceful.uninstall();
    throw error;
  }
}

interface RunningService {
  /** The one line that tells where it listens. */
  readonly readyLine: string;
  /** Ends it in order, within END_WITHIN_MS but for one commit. */
  end(progress: EndProgress): Promise<void>;
}

/** How far an orderly end has come, so that one that fails can say where. */
class EndProgress {
  #awaited = "the start";

  /** Waits for a part of the end; rejects as it does, and says which part that was. */
  async awaits<T>(what: string, work: Promise<T>): Promise<T> {
    this.#awaited = what;
    try {
      return await work;
    } catch (error) {
      complain(`Ending failed at ${what}: ${plainLine(errorText(error))}\n`);
      throw error;
    }
  }

  /** What is said where the process ends before the end is reached. */
  readonly words = {
    onTimeout: () =>
      complain(`The end took too long: it was still waiting for ${this.#awaited}, and is cut off.\n`),
    onSecondSignal: () =>
      complain(`A second signal came while waiting for ${this.#awaited}: the end is cut off.\n`),
    onSecondError: (error: unknown) =>
      complain(
        `An error while waiting for ${this.#awaited} cuts the end off: ${plainLine(errorText(error))}\n`,
      ),
  };
}

/** What the command line stands for, checked. */
interface Prepared {
  readonly relay: RelayTarget[];
  readonly token: string | null;
  readonly ownPlans: ReturnType<typeof ownPlansGiven>;
  readonly watches: WatchFile | null;
  readonly publish: PublishTarget | null;
  readonly version: string;
}

/** Starts intake and dashboard; rejects with what a person can do about it, and then nothing is left running. */
async function startService(
  options: ListenOptions,
  { relay, token, ownPlans, watches, publish, version }: Prepared,
): Promise<RunningService> {
  const folder = (name: string) => {
    const path = fileURLToPath(new URL(name, packageRoot));
    return existsSync(path) ? path : null;
  };
  const starting = startIntake({
    dbPath: options.db,
    udpHost: options.udpHost ?? null,
    udpPort: options.udpPort,
    relay,
    allowTransmit: options.allowTransmit,
    sparing: options.sparing,
    // The broker is to get every reception as it comes.
    mayHold: publish === null,
    ...(options.record === undefined ? {} : { recordTo: resolve(options.record) }),
    log,
    onLost: (error) => {
      complain(`The intake has ended: ${plainLine(error.message)}. Nothing is received any more.\n`);
      process.exit(1);
    },
  });
  // The service's libraries are loaded only here: no other command waits for them. And while the threads start, so that
  // gateways are answered soon.
  const loading = Promise.all([
    import("../service/build.ts"),
    import("../service/disk-space.ts"),
    import("../service/exports.ts"),
    import("../service/reading-pool.ts"),
    import("../service/store-facts.ts"),
    import("../service/watch-service.ts"),
    import("../service/watch-ways.ts"),
    import("../service/live-view.ts"),
    import("../service/publisher.ts"),
  ]);
  // Why the intake could not start is said first.
  loading.catch(() => undefined);
  const intake = await starting;
  if (options.sparing) complain(`${SPARING_NOTICE}\n`);
  const [
    { buildService },
    { DiskSpaceWatch },
    { openExports },
    { openReadingPool },
    { storeFacts, storeState },
    { WatchService },
    { waysOf },
    { SYSTEM_CLOCK },
    { Publisher },
  ] = await loading;
  const store = openReader(options.db);
  const reading = openReadingPool(
    { file: storeFile(store), ownPlans },
    { state: () => storeState(store), log },
  );
  const exports = openExports(storeFile(store));
  const diskSpace = new DiskSpaceWatch({
    folder: dirname(resolve(options.db)),
    onLow: (sentence) => complain(`${sentence}\n`),
  });
  await diskSpace.start();
  // Beside the store: a capture on its way in may be larger than a temporary folder, which can be memory.
  const uploadFolder = join(dirname(resolve(options.db)), ".mastlog-uploads");
  const facts = storeFacts(store);
  const ending = new AbortController();
  const watch = new WatchService({
    file: watches,
    ways: waysOf(watches?.tell ?? [], log),
    facts,
    storedFacts: async (withNoise, nowUs, site) => {
      await intake.look();
      return reading.ask(ending.signal).watchFacts(withNoise, nowUs, site);
    },
    figures: () => intake.figures(),
    diskSpace: () => diskSpace.space,
    change: (change) => intake.change(change),
    now: Date.now,
    clock: SYSTEM_CLOCK,
    log,
  });
  const publisher =
    publish === null
      ? null
      : new Publisher({
          ...publish,
          service: { version, startedAt: new Date().toISOString() },
          siteName: () => facts.stored().siteName,
          views: reading.ask(ending.signal),
          onCommit: (listener) => intake.onCommit(listener),
          nowUs: () => Date.now() * 1000,
          clock: SYSTEM_CLOCK,
          log,
          place: publishPlace(store),
          keep: (place) => intake.change({ entity: "publish-place", place }),
        });
  const app = await buildService({
    facts,
    watch,
    ...(publisher === null ? {} : { publisher }),
    ask: reading.ask,
    exports,
    intake,
    webRoot: folder("dist/web"),
    version,
    now: Date.now,
    host: options.host,
    port: options.webPort,
    token,
    uploadFolder,
    samplesFolder: folder("sample-captures"),
    // Faults of our own go to stderr; requests are never logged, for their addresses may carry the token.
    logger: pino({ level: "warn", base: null }, { write: (line) => complain(plainJson(line)) }),
    diskSpace: () => diskSpace.space,
  });
  const end = async (progress: EndProgress): Promise<void> => {
    const endMs = performance.now() + END_WITHIN_MS;
    diskSpace.stop();
    // Both say their last words beside each other.
    await progress.awaits("the last messages", Promise.all([watch.close(), publisher?.close()]));
    ending.abort();
    await progress.awaits("the dashboard", app.close());
    // Nothing is left beside the store: the folder goes where nothing is in it.
    await rmdir(uploadFolder).catch(() => undefined);
    // The writer closes last: it leaves one file, with everything in it.
    const readers = Promise.all([reading.close(), exports.close()]).then(() => store.close());
    await progress.awaits("those who read the store", readers);
    await progress.awaits("the recording", intake.close(endMs - performance.now()));
  };
  try {
    await app.listen({ host: options.host, port: options.webPort });
  } catch (error) {
    await end(new EndProgress());
    throw new CannotRun(webTrouble(error, options.host, options.webPort));
  }
  watch.start();
  await publisher?.start();
  const bound = app.server.address();
  const webPort = bound !== null && typeof bound === "object" ? bound.port : options.webPort;
  const ports = { udpPort: intake.udp[0]?.port ?? 0, webPort };
  return { readyLine: readyLineOf(options, ports, relay, token), end };
}

/**
 * The process ends after this, whatever still runs. Later than the deadline that its threads share: one commit or the merging of a large log
 * cannot be cut, and may run past it. Below the 10 s that service managers commonly wait.
 */
const LAST_RESORT_MS = 9_900;

/** One line with both addresses; the token rides in the dashboard's, to be opened as it stands. */
function readyLineOf(
  { udpHost, host }: ListenOptions,
  { udpPort, webPort }: { readonly udpPort: number; readonly webPort: number },
  relay: readonly RelayTarget[],
  token: string | null,
): string {
  const reachable = reachableAddresses();
  const udp = udpHost ?? (reachable[0] === undefined ? "this machine" : reachable.slice(0, 3).join(", "));
  const shown = host === "0.0.0.0" || host === "::" ? (reachable[0] ?? "127.0.0.1") : host;
  const name = shown.includes(":") ? `[${shown}]` : shown;
  const query = token === null ? "" : `?token=${token}`;
  const onTo = relay.length === 0 ? "" : `, relayed to ${relay.map(relayTargetText).join(", ")}`;
  return `Mastlog listens: gateways to UDP port ${udpPort} of ${udp}${onTo}, dashboard at http://${name}:${webPort}/${query}`;
}

function webTrouble(error: unknown, host: string, port: number): string {
  const code = errorCode(error);
  if (code === "EADDRINUSE")
    return `TCP port ${port} of ${host} is taken by another program. Is Mastlog running already? Otherwise choose another with --web-port.`;
  if (code === "EADDRNOTAVAIL")
    return `${host} is not an address of this machine. Choose another with --host.`;
  return `The dashboard cannot listen on ${host} port ${port}: ${errorText(error)}`;
}

function log(sentence: string): void {
  complain(`${plainLine(sentence)}\n`);
}
