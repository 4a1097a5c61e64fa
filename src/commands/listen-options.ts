/**
 * What does `listen` take? Its options, and what stands in files or in the environment, so that no secret is in the list
 * of processes: the token, where to publish to, and what is watched. Whatever is wrong throws CannotRun with one
 * sentence, which shows no secret.
 */
import { readFileSync, statSync } from "node:fs";
import { dirname, resolve } from "node:path";
import { type Command, Option } from "commander";
import { z } from "zod";
import { MQTT_VERSIONS } from "../contract/common.ts";
import { WatchFile } from "../contract/watches.ts";
import { TRANSMIT_CAUTIONS } from "../diagnosis/test-transmission.ts";
import { type RelayTarget, readRelayTarget, relayTargetText } from "../intake/relay/targets.ts";
import { errorText } from "../model/fault.ts";
import type { BrokerAddress } from "../service/mqtt.ts";
import { CannotRun, dbOption, plansOption } from "./options.ts";

const Port = z.coerce.number().int().min(0).max(65_535);
export const ListenOptions = z.object({
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
export type ListenOptions = z.infer<typeof ListenOptions>;

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

export function withListenOptions(command: Command): Command {
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
    .addOption(plansOption())
    .addHelpText("after", HELP);
}

/** Upstreams of one relay. Chosen: each costs a socket for every association. */
const MAX_UPSTREAMS = 4;

/** Longest token file that is read, octets: whatever else is named by mistake is not read into memory. */
const MAX_TOKEN_OCTETS = 4096;

/** The token as it was given: typed, in a file, or in the environment. A typed one stands in the list of processes. */
export function tokenGiven({ token, tokenFile }: ListenOptions): string | null {
  if (tokenFile === undefined) return token ?? (process.env.MASTLOG_TOKEN || null);
  if (token !== undefined) throw new CannotRun("--token and --token-file exclude each other.");
  let text: string;
  try {
    const { size } = statSync(tokenFile);
    if (size > MAX_TOKEN_OCTETS) throw new Error("it is too large for a token");
    text = readFileSync(tokenFile, "utf8");
  } catch (error) {
    const why = errorText(error);
    throw new CannotRun(`The token file ${tokenFile} cannot be read: ${why}.`);
  }
  const first = text.split(/\r?\n/, 1)[0]?.trim() ?? "";
  if (first === "") throw new CannotRun(`The first line of the token file ${tokenFile} is empty.`);
  return first;
}

export function relayTargets(texts: readonly string[]): RelayTarget[] {
  if (texts.length > MAX_UPSTREAMS) throw new CannotRun(`--relay is given ${MAX_UPSTREAMS} times at most.`);
  const targets = texts.map((text) => {
    const target = readRelayTarget(text);
    if (target !== null) return target;
    throw new CannotRun(`--relay takes HOST:PORT, an IPv6 address in brackets; "${text}" is not that.`);
  });
  if (new Set(targets.map(relayTargetText)).size < targets.length)
    throw new CannotRun("--relay names the same server twice: it would get everything twice.");
  return targets;
}

// Where does `listen --publish` publish to?

export interface PublishTarget {
  readonly address: BrokerAddress;
  readonly prefix: string;
}

/** Octets of a file with a login or a secret at most: whatever else is named by mistake is not read into memory. */
const MAX_SECRET_OCTETS = 4_096;
const MAX_CA_OCTETS = 1_048_576;
const MAX_PREFIX = 200;

/** Returns where to publish to; null: nowhere. Throws CannotRun with one sentence, which shows no secret. */
export function publishTarget(given: ListenOptions, environment: NodeJS.ProcessEnv): PublishTarget | null {
  const { publish, publishPrefix, publishLogin, publishCa } = given;
  if (publish === undefined) {
    if (publishLogin === undefined && publishCa === undefined) return null;
    throw new CannotRun("--publish-login and --publish-ca need --publish mqtt://HOST or mqtts://HOST.");
  }
  if (!isTopic(publishPrefix, MAX_PREFIX))
    throw new CannotRun(
      '--publish-prefix takes the begin of a topic, such as "sites/orchard", without +, # and $.',
    );
  const url = brokerUrl(publish, "--publish");
  const ca = publishCa === undefined ? undefined : certificates(publishCa);
  if (ca !== undefined && !url.startsWith("mqtts:"))
    throw new CannotRun("--publish-ca needs an mqtts:// address.");
  const [user, password] = login(publishLogin, environment);
  return { address: { url, user, password, ca, version: given.publishMqtt }, prefix: publishPrefix };
}

/** A name that can be published to (MQTT 5, section 4.7): no wildcard, no control character, none of the broker's own. */
export function isTopic(text: string, most: number): boolean {
  return text.length <= most && /^[^+#$\p{C}/][^+#\p{C}]*$/u.test(text) && !text.endsWith("/");
}

/** Returns the address, or throws CannotRun: a password in it would stand in the list of processes. */
export function brokerUrl(text: string, where: string): string {
  const form = `${where} takes mqtt://HOST[:PORT] or mqtts://HOST[:PORT].`;
  if (!URL.canParse(text)) throw new CannotRun(form);
  const url = new URL(text);
  if (url.username !== "" || url.password !== "")
    throw new CannotRun(
      `${where} takes no user and no password: everyone on this machine could read them. Put them into a file (--publish-login), or into MASTLOG_MQTT_USER and MASTLOG_MQTT_PASSWORD.`,
    );
  const isBare = /^\/?$/.test(url.pathname) && url.search === "" && url.hash === "";
  if (!/^mqtts?:$/.test(url.protocol) || url.hostname === "" || !isBare) throw new CannotRun(form);
  return `${url.protocol}//${url.host}`;
}

function login(
  file: string | undefined,
  environment: NodeJS.ProcessEnv,
): [string | undefined, string | undefined] {
  if (file === undefined)
    return [environment.MASTLOG_MQTT_USER || undefined, environment.MASTLOG_MQTT_PASSWORD || undefined];
  const [user = "", password = ""] = readSmall(file, MAX_SECRET_OCTETS, "--publish-login").split(/\r?\n/);
  if (user === "")
    throw new CannotRun(`The first line of ${file} is empty: it takes the user, the second the password.`);
  return [user, password === "" ? undefined : password];
}

function certificates(file: string): string {
  const text = readSmall(file, MAX_CA_OCTETS, "--publish-ca");
  if (text.includes("-----BEGIN CERTIFICATE-----")) return text;
  throw new CannotRun(`${file} holds no certificate in PEM form.`);
}

/** Returns the text of a file of `most` octets at most. */
export function readSmall(file: string, most: number, where: string): string {
  try {
    if (statSync(file).size > most) throw new Error("it is too large");
    return readFileSync(file, "utf8");
  } catch (error) {
    const why = errorText(error);
    throw new CannotRun(`The file ${file} of ${where} cannot be read: ${why}.`);
  }
}

// What does the file of `listen --watches` say, with the secrets that stand elsewhere?

/** Stands in place of a text of a recipient. */
const Elsewhere = z.union([
  z.strictObject({ env: z.string().min(1) }),
  z.strictObject({ file: z.string().min(1) }),
]);

const MAX_WATCH_SECRET_OCTETS = 1_000_000;

/** Returns what the file says. Throws CannotRun with one sentence, which shows no secret. */
export function readWatchFile(file: string, environment: NodeJS.ProcessEnv): WatchFile {
  let data: unknown;
  try {
    data = JSON.parse(readFileSync(file, "utf8"));
  } catch (error) {
    const why = errorText(error);
    throw new CannotRun(`The file of watches ${file} cannot be read: ${why}.`);
  }
  const parsed = WatchFile.safeParse(withTexts(data, file, environment));
  if (parsed.success) return parsed.data;
  const [issue] = parsed.error.issues;
  const place = issue?.path.join(".") || "its top";
  throw new CannotRun(`The file of watches ${file} is not valid at ${place}: ${issue?.message ?? ""}.`);
}

const Recipients = z.looseObject({ tell: z.array(z.record(z.string(), z.unknown())) });

function withTexts(data: unknown, watchFile: string, environment: NodeJS.ProcessEnv): unknown {
  const parsed = Recipients.safeParse(data);
  if (!parsed.success) return data;
  const tell = parsed.data.tell.map((way, index) =>
    Object.fromEntries(
      Object.entries(way).map(([name, value]) => {
        const elsewhere = Elsewhere.safeParse(value);
        return [name, elsewhere.success ? textOf(elsewhere.data, `tell.${index}.${name}`) : value];
      }),
    ),
  );
  return { ...parsed.data, tell };

  function textOf(elsewhere: z.infer<typeof Elsewhere>, place: string): string {
    if ("file" in elsewhere) {
      const path = resolve(dirname(watchFile), elsewhere.file);
      // An editor ends a file with a line break that belongs to no secret.
      return readSmall(path, MAX_WATCH_SECRET_OCTETS, `${place} in ${watchFile}`).replace(/\r?\n$/, "");
    }
    const text = environment[elsewhere.env];
    if (text !== undefined && text !== "") return text;
    throw new CannotRun(
      `The environment variable ${elsewhere.env}, named at ${place} in ${watchFile}, is not set.`,
    );
  }
}
