/** `mastlog listen`: the service. Receives gateways' datagrams, keeps them, shows them. */
import { existsSync, readFileSync, statSync } from "node:fs";
import { rmdir } from "node:fs/promises";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import closeWithGrace from "close-with-grace";
import { Command, Option } from "commander";
import { pino } from "pino";
import { z } from "zod";
import { MQTT_VERSIONS } from "../contract/common.ts";
import type { WatchFile } from "../contract/watches.ts";
import { SPARING_NOTICE } from "../diagnosis/notices.ts";
import { TRANSMIT_CAUTIONS } from "../diagnosis/test-transmission.ts";
import { type RelayTarget, readRelayTarget, relayTargetText } from "../intake/relay/targets.ts";
import { END_WITHIN_MS, startIntake } from "../intake/start.ts";
import { reachableAddresses } from "../intake/udp-listener.ts";
import { plainJson, plainLine } from "../model/text.ts";
import { openReader, storeFile } from "../store/open.ts";
import { publishPlace } from "../store/settings.ts";
import { packageRoot } from "../store/upgrade.ts";
import { CannotRun, complain, dbOption, guarded, ownPlansGiven, plansOption, print } from "./options.ts";
import { type PublishTarget, publishTarget } from "./publish-options.ts";
import { reportToSupervisor } from "./unit.ts";
import { readWatchFile } from "./watch-file.ts";

const Port = z.coerce.number().int().min(0).max(65_535);
const Options = z.object({
  udpPort: Port,
  udpHost: z.string().min(1).optional(),
  webPort: Port,
  host: z.string().min(1),
  token: z.string().optional(),
  tokenFile: z.string().min(1).optional(),
  relay: z.array(z.string()).default([]),
  allowTransmit: z.boolean().default(false),
  sparing: z.boolean().default(false),
  watches: z.string().min(1).optional(),
  record: z.string().min(1).optional(),
  publish: z.string().optional(),
  publishPrefix: z.string().default("mastlog"),
  publishLogin: z.string().optional(),
  publishCa: z.string().optional(),
  publishMqtt: z.enum(MQTT_VERSIONS),
  db: z.string().min(1),
});

/** Upstreams of one relay. Chosen: each costs a socket for every association. */
const MAX_UPSTREAMS = 4;

const HELP = `
Without --relay gateways are answered here, and nothing is ever transmitted: no gateway is asked to, unless
--allow-transmit is given and a person confirms a downlink test. Then: ${TRANSMIT_CAUTIONS.slice(0, 3).join(" ")}

With --relay this machine is part of the path between gateway and network server: while it sleeps, is off or
loses its network, the gateway reaches nobody. The server's acknowledgements and downlinks pass unchanged;
none is made up here, and trouble of the store does not stop the passage. The gateway transmits what the
first server asks for: the rules of the region and a licence-exempt band's limits apply to it as before.

What is recorded to a file holds what this machine received, and what it sent or relayed back where that passes the
recording: acknowledgements with --relay, none without. When the disk is full or the file is moved, the recording
ends with a sentence and the service goes on.

With --sparing what arrives is gathered for up to a second and written at once, and gateways get their answers before
that: what a gateway had acknowledged in the last second is lost when the power fails or the program is killed, and
the gateway does not send it again. Without it an acknowledged packet is on the disk, but for the few that Service
counts as answered before they were stored.

The token of an open dashboard: --token-file FILE, else the environment variable MASTLOG_TOKEN. With --token it can
be read in this machine's list of processes. The broker's user and password: --publish-login FILE, else MASTLOG_MQTT_USER
and MASTLOG_MQTT_PASSWORD.`;

export function listenCommand(version: string): Command {
  return withListenOptions(new Command("listen"))
    .description("receive gateways' datagrams, keep them, and show them in the dashboard")
    .option(
      "--record <file>",
      "append what is received to this file, too, as JSON lines that `import` reads (made for its owner alone)",
    )
    .addHelpText("after", HELP)
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
    .addHelpText("after", HELP)
    .action((given: { record?: string }) =>
      guarded(() => {
        if (given.record === undefined) throw new CannotRun("Name the file to record to with -o FILE.jsonl.");
        return listen(given, version);
      }),
    );
}

function withListenOptions(command: Command): Command {
  return command
    .option("--udp-port <n>", "UDP port that gateways send to", "1700")
    .option("--udp-host <address>", "only this address of this machine (default: all, IPv4 and IPv6)")
    .option("--web-port <n>", "TCP port of the dashboard", "8470")
    .option(
      "--host <address>",
      "address of the dashboard; anything but this machine needs a token",
      "127.0.0.1",
    )
    .option(
      "--token <text>",
      "the token asked for; better in MASTLOG_TOKEN or a file (default: a random one when --host is open to the network)",
    )
    .option("--token-file <file>", "read the token from the first line of this file")
    .option(
      "--relay <host:port>",
      "relay every datagram to this network server and back, unchanged; given again, further servers get copies",
      (text: string, before: string[] | undefined) => [...(before ?? []), text],
    )
    .option(
      "--allow-transmit",
      "let a person ask a gateway on the bench to send one test frame (never with --relay; off by default)",
    )
    .option(
      "--sparing",
      "write to the disk once a second at most, for an SD card (off by default: see below)",
    )
    .addOption(
      new Option("--watches <file>", "watches and recipients of notifications, JSON; see the README").env(
        "MASTLOG_WATCHES",
      ),
    )
    .addOption(
      new Option(
        "--publish <url>",
        "publish what is heard to this MQTT broker: mqtt://HOST[:PORT] or mqtts://HOST[:PORT]; see the README",
      ).env("MASTLOG_PUBLISH"),
    )
    .option("--publish-prefix <topic>", "begin of every topic", "mastlog")
    .option("--publish-login <file>", "user and password of the broker: the first two lines of this file")
    .option("--publish-ca <file>", "certificates of authorities (PEM) that the broker is checked by")
    .addOption(
      new Option("--publish-mqtt <version>", "version of MQTT that the broker speaks")
        .choices(MQTT_VERSIONS)
        .default("5"),
    )
    .addOption(dbOption())
    .addOption(plansOption());
}

async function listen(given: unknown, version: string): Promise<void> {
  const parsed = Options.safeParse(given);
  if (!parsed.success) throw new CannotRun("A port is a number from 0 to 65535 (0: any free one).");
  const options = parsed.data;
  const relay = relayTargets(options.relay);
  if (options.allowTransmit && relay.length > 0)
    throw new CannotRun(
      "--allow-transmit and --relay exclude each other: in line the server owns the transmitter.",
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
  const graceful = closeWithGrace({ delay: LAST_RESORT_MS, logger: false }, async ({ err }) => {
    isEnding = true;
    stopReporting();
    if (err !== undefined) complain(`${err.stack ?? err.message}\n`);
    const running = await starting.catch(() => null);
    await running?.end();
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
  end(): Promise<void>;
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
  options: z.infer<typeof Options>,
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
    log: (sentence) => complain(`${plainLine(sentence)}\n`),
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
    { state: () => storeState(store), log: (sentence) => complain(`${plainLine(sentence)}\n`) },
  );
  const exports = openExports(storeFile(store));
  const diskSpace = new DiskSpaceWatch({
    folder: dirname(resolve(options.db)),
    onLow: (sentence) => complain(`${sentence}\n`),
  });
  await diskSpace.start();
  // Beside the store: a capture on its way in may be larger than a temporary folder, which can be memory.
  const uploadFolder = join(dirname(resolve(options.db)), ".mastlog-uploads");
  const samplesFolder = folder("sample-captures");
  const facts = storeFacts(store);
  const log = (sentence: string) => complain(`${plainLine(sentence)}\n`);
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
    samplesFolder,
    // Faults of our own go to stderr; requests are never logged, for their addresses may carry the token.
    logger: pino({ level: "warn", base: null }, { write: (line) => complain(plainJson(line)) }),
    diskSpace: () => diskSpace.space,
  });
  const end = async (): Promise<void> => {
    const endMs = performance.now() + END_WITHIN_MS;
    diskSpace.stop();
    // Both say their last words beside each other.
    await Promise.all([watch.close(), publisher?.close()]);
    ending.abort();
    await app.close();
    // Nothing is left beside the store: the folder goes where nothing is in it.
    await rmdir(uploadFolder).catch(() => undefined);
    // The writer closes last: it leaves one file, with everything in it.
    await Promise.all([reading.close(), exports.close()]);
    store.close();
    await intake.close(endMs - performance.now());
  };
  try {
    await app.listen({ host: options.host, port: options.webPort });
  } catch (error) {
    await end();
    throw new CannotRun(webTrouble(error, options.host, options.webPort));
  }
  watch.start();
  await publisher?.start();
  const bound = app.server.address();
  const webPort = bound !== null && typeof bound === "object" ? bound.port : options.webPort;
  const udpPort = intake.udp[0]?.port ?? 0;
  return {
    readyLine: readyLineOf(options.udpHost ?? null, udpPort, relay, options.host, webPort, token),
    end,
  };
}

/**
 * The process ends after this, whatever still runs. Later than the deadline that its threads share: one commit or the merging of a large log
 * cannot be cut, and may run past it. Below the 10 s that service managers commonly wait.
 */
const LAST_RESORT_MS = 9_900;

/** Longest token file that is read, octets: whatever else is named by mistake is not read into memory. */
const MAX_TOKEN_OCTETS = 4096;

/** The token as it was given: typed, in a file, or in the environment. A typed one stands in the list of processes. */
function tokenGiven({ token, tokenFile }: z.infer<typeof Options>): string | null {
  if (tokenFile === undefined) return token ?? (process.env.MASTLOG_TOKEN || null);
  if (token !== undefined) throw new CannotRun("--token and --token-file exclude each other.");
  let text: string;
  try {
    const { size } = statSync(tokenFile);
    if (size > MAX_TOKEN_OCTETS) throw new Error("it is too large for a token");
    text = readFileSync(tokenFile, "utf8");
  } catch (error) {
    const why = error instanceof Error ? error.message : String(error);
    throw new CannotRun(`The token file ${tokenFile} cannot be read: ${why}.`);
  }
  const first = text.split(/\r?\n/, 1)[0]?.trim() ?? "";
  if (first === "") throw new CannotRun(`The first line of the token file ${tokenFile} is empty.`);
  return first;
}

function relayTargets(texts: readonly string[]): RelayTarget[] {
  if (texts.length > MAX_UPSTREAMS) throw new CannotRun(`--relay is given ${MAX_UPSTREAMS} times at most.`);
  const targets = texts.map((text) => {
    const target = readRelayTarget(text);
    if (target !== null) return target;
    throw new CannotRun(`--relay takes HOST:PORT, an IPv6 address in brackets; "${text}" is not that.`);
  });
  if (new Set(targets.map(relayTargetText)).size < targets.length)
    throw new CannotRun("--relay names the same server twice: it would hear everything doubled.");
  return targets;
}

/** One line with both addresses; the token rides in the dashboard's, to be opened as it stands. */
function readyLineOf(
  udpHost: string | null,
  udpPort: number,
  relay: readonly RelayTarget[],
  host: string,
  webPort: number,
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
  const code = error instanceof Error && "code" in error ? String(error.code) : "";
  if (code === "EADDRINUSE") {
    return `TCP port ${port} of ${host} is taken by another program. Is Mastlog running already? Otherwise choose another with --web-port.`;
  }
  if (code === "EADDRNOTAVAIL") return `${host} is no address of this machine. Choose another with --host.`;
  return `The dashboard cannot listen on ${host} port ${port}: ${error instanceof Error ? error.message : String(error)}`;
}
