/** A real MQTT broker for tests: Mosquitto on loopback, started, stopped and started again on one port. */
import { execFileSync, spawnSync } from "node:child_process";
import { chmodSync, existsSync, writeFileSync } from "node:fs";
import { createServer } from "node:net";
import { join } from "node:path";
import { connect, type MqttClient } from "mqtt";
import { spawnKept, temporaryFolder } from "./program.ts";
import { pause, until } from "./service.ts";

/** Debian keeps it out of the path of other users than root. */
const PLACES = ["mosquitto", "/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"];
const program = PLACES.find((place) => spawnSync(place, ["-h"]).error === undefined);
const hasOpenssl = spawnSync("openssl", ["version"]).error === undefined;

/** Whether the machine has Mosquitto, and openssl for its certificate; where not, says so. */
export function mosquittoIsHere(what: string): boolean {
  if (program !== undefined && hasOpenssl) return true;
  const missing = program === undefined ? "mosquitto" : "openssl";
  process.stderr.write(`No ${missing} on this machine: ${what} is not tested.\n`);
  return false;
}

export interface BrokerMessage {
  readonly topic: string;
  readonly text: string;
  readonly retain: boolean;
}

export interface TestBroker {
  readonly url: string;
  readonly ca: string | null;
  stop(): Promise<void>;
  start(): Promise<void>;
  /** What a subscriber to `topic` gets from now on, retained ones first. */
  subscribe(topic: string): Promise<{ readonly messages: BrokerMessage[]; end(): Promise<void> }>;
}

export interface BrokerOptions {
  readonly login?: { readonly user: string; readonly password: string };
  readonly withTls?: boolean;
  /** Octets of a message that it takes at most. */
  readonly mostOctets?: number;
}

/** Starts the broker. It keeps nothing over a stop, so that what comes after a start was published after it. */
export async function startBroker({
  login,
  withTls = false,
  mostOctets,
}: BrokerOptions = {}): Promise<TestBroker> {
  const folder = temporaryFolder();
  // As root it would go on as another user, who reads none of these files.
  chmodSync(folder, 0o755);
  const port = await freePort();
  const lines = [`listener ${port} 127.0.0.1`, "persistence false", "user root"];
  if (login === undefined) lines.push("allow_anonymous true");
  else {
    const file = join(folder, "passwords");
    writeFileSync(file, `${login.user}:${login.password}\n`, { mode: 0o600 });
    execFileSync("mosquitto_passwd", ["-U", file]);
    lines.push("allow_anonymous false", `password_file ${file}`);
  }
  if (mostOctets !== undefined) lines.push(`max_packet_size ${mostOctets}`);
  const ca = withTls ? certificate(folder) : null;
  if (ca !== null) lines.push(`certfile ${ca}`, `keyfile ${join(folder, "key.pem")}`);
  const settings = join(folder, "mosquitto.conf");
  writeFileSync(settings, `${lines.join("\n")}\n`);
  let child = spawnKept(program ?? "mosquitto", ["-c", settings], folder);
  const url = `${withTls ? "mqtts" : "mqtt"}://localhost:${port}`;
  const open = async (): Promise<MqttClient> => {
    const client = connect(url, {
      protocolVersion: 5,
      reconnectPeriod: 50,
      ...(login === undefined ? {} : { username: login.user, password: login.password }),
      rejectUnauthorized: false,
    });
    await new Promise<void>((done) => client.once("connect", () => done()));
    return client;
  };
  const answers = async () => {
    const client = await open();
    await client.endAsync();
  };
  await answers();
  return {
    url,
    ca,
    stop: async () => {
      child.kill("SIGKILL");
      await until(
        () => child.exitCode ?? child.signalCode,
        (how) => how !== null,
      );
    },
    start: async () => {
      child = spawnKept(program ?? "mosquitto", ["-c", settings], folder);
      await answers();
    },
    subscribe: async (topic) => {
      const messages: BrokerMessage[] = [];
      const client = await open();
      client.on("message", (name, bytes, { retain }) => {
        messages.push({ topic: name, text: bytes.toString("utf8"), retain });
      });
      await client.subscribeAsync(topic, { qos: 1 });
      await pause(50);
      return { messages, end: () => client.endAsync() };
    },
  };
}

function certificate(folder: string): string {
  const file = join(folder, "cert.pem");
  execFileSync(
    "openssl",
    [
      ...[
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "2",
      ],
      ...["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"],
      ...["-keyout", join(folder, "key.pem"), "-out", file],
    ],
    { stdio: "ignore" },
  );
  if (!existsSync(file)) throw new Error("openssl made no certificate");
  return file;
}

async function freePort(): Promise<number> {
  const server = createServer();
  await new Promise<void>((ready) => server.listen(0, "127.0.0.1", ready));
  const bound = server.address();
  await new Promise<void>((done) => server.close(() => done()));
  return bound !== null && typeof bound === "object" ? bound.port : 0;
}
