/** Where to publish to: the options of `listen --publish`, and secrets that stand in no list of processes. */
import { readFileSync, statSync } from "node:fs";
import type { MqttVersion } from "../contract/common.ts";
import type { BrokerAddress } from "../service/mqtt.ts";
import { CannotRun } from "./options.ts";

export interface PublishGiven {
  readonly publish?: string | undefined;
  readonly publishPrefix: string;
  readonly publishLogin?: string | undefined;
  readonly publishCa?: string | undefined;
  readonly publishMqtt: MqttVersion;
}

export interface PublishTarget {
  readonly address: BrokerAddress;
  readonly prefix: string;
}

/** Octets of a file with a login or a secret at most: whatever else is named by mistake is not read into memory. */
const MAX_SECRET_OCTETS = 4_096;
const MAX_CA_OCTETS = 1_048_576;
const MAX_PREFIX = 200;

/** Returns where to publish to; null: nowhere. Throws CannotRun with one sentence, which shows no secret. */
export function publishTarget(given: PublishGiven, environment: NodeJS.ProcessEnv): PublishTarget | null {
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
    const why = error instanceof Error ? error.message : String(error);
    throw new CannotRun(`The file ${file} of ${where} cannot be read: ${why}.`);
  }
}
