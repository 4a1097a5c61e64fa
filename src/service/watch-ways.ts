/**
 * How does a message reach a person? By webhook, e-mail, MQTT or the log: each way has a queue of its own, tries again with
 * growing pauses, and holds up no other. A secret is in no sentence.
 */
import { createHmac } from "node:crypto";
import type { WatchesView, WatchMessage, WatchWay } from "../contract/watches.ts";
import { errorText } from "../model/fault.ts";
import { duration } from "../words/format.ts";
import type { LiveClock } from "./live-view.ts";
import { brokerName, publishOnce } from "./mqtt.ts";

/** Pauses before the next tries, seconds; after the last one the message is given up. Chosen: half a day in all. */
export const RETRY_AFTER_S: readonly number[] = [10, 60, 300, 900, 3_600, 3 * 3_600, 8 * 3_600];
/** Messages that wait in one way at most: the oldest gives way. Chosen: a day at the usual most an hour. */
const MAX_WAITING = 100;
const SEND_WITHIN_MS = 15_000;
/** A message that waited over a restart is given up so long after it was made. Chosen: a day later it is no news. */
export const GIVE_UP_AFTER_MS = 86_400_000;
/** At the end of the service: what is on its way is not cut off amid its delivery. */
const FINISH_WITHIN_MS = 1_500;

/** Sends one message. Rejects with NotAccepted when another try would fail the same way. */
export interface Way {
  readonly name: string;
  send(message: WatchMessage, signal: AbortSignal): Promise<void>;
}

/** The receiver refused; another try would not change that. */
export class NotAccepted extends Error {}

export type WayStatus = WatchesView["ways"][number];

export interface WayTools {
  /** Milliseconds since 1970. */
  readonly now: () => number;
  readonly clock: LiveClock;
  readonly log: (sentence: string) => void;
  readonly onMoved: () => void;
}

/** The queue of one way. */
export class WayQueue {
  readonly #way: Way;
  readonly #tools: WayTools;
  readonly #waiting: WatchMessage[] = [];
  readonly #ending = new AbortController();
  #isClosing = false;
  #tries = 0;
  #isBusy = false;
  #sending: Promise<void> | null = null;
  #status: Pick<WayStatus, "state" | "words"> = { state: "idle", words: "nothing sent yet" };
  #toldAt: string | null = null;

  constructor(way: Way, tools: WayTools) {
    this.#way = way;
    this.#tools = tools;
  }

  get status(): WayStatus {
    return { name: this.#way.name, ...this.#status, at: this.#toldAt };
  }

  add(message: WatchMessage): void {
    this.#waiting.push(message);
    if (this.#waiting.length > MAX_WAITING) this.#waiting.splice(this.#isBusy ? 1 : 0, 1);
    if (!this.#isBusy) void this.#next();
  }

  get name(): string {
    return this.#way.name;
  }

  /** What was not sent yet, oldest first. */
  get waiting(): readonly WatchMessage[] {
    return this.#waiting;
  }

  /** Sends what waited when the service ended; what is too old by now is given up. */
  resume(messages: readonly WatchMessage[]): void {
    for (const message of messages) {
      if (this.#tools.now() - Date.parse(message.at) < GIVE_UP_AFTER_MS) this.add(message);
      else this.#tools.log(`"${message.subject}" could not be sent to ${this.name} within a day: given up.`);
    }
  }

  /** Starts nothing more; what is on its way has a moment to arrive, so that it is not sent again after a restart. */
  async close(): Promise<void> {
    this.#isClosing = true;
    await Promise.race([this.#sending, new Promise((done) => setTimeout(done, FINISH_WITHIN_MS).unref())]);
    this.#ending.abort();
  }

  async #next(): Promise<void> {
    const [message] = this.#waiting;
    if (message === undefined || this.#isClosing) {
      this.#isBusy = false;
      return;
    }
    this.#isBusy = true;
    this.#sending = this.#try(message);
    await this.#sending;
  }

  async #try(message: WatchMessage): Promise<void> {
    try {
      const signal = AbortSignal.any([this.#ending.signal, AbortSignal.timeout(SEND_WITHIN_MS)]);
      await this.#way.send(message, signal);
      this.#toldAt = message.at;
      this.#finish("told", "");
    } catch (error) {
      if (this.#ending.signal.aborted) return;
      const why = errorText(error);
      const pauseS = error instanceof NotAccepted ? undefined : RETRY_AFTER_S[this.#tries];
      if (pauseS === undefined) {
        this.#tools.log(`"${message.subject}" could not be sent to ${this.#way.name}: ${why}.`);
        return this.#finish("failed", `not sent: ${why}`);
      }
      this.#tries += 1;
      this.#become("waiting", `${why}; next try in ${duration(pauseS)}`);
      this.#tools.clock.after(pauseS * 1_000, () => void this.#next());
    }
  }

  #finish(state: WayStatus["state"], words: string): void {
    this.#waiting.shift();
    this.#tries = 0;
    this.#become(state, words);
    void this.#next();
  }

  #become(state: WayStatus["state"], words: string): void {
    this.#status = { state, words };
    this.#tools.onMoved();
  }
}

/** The ways of a file, ready to send. `log` writes a line. */
export function waysOf(ways: readonly WatchWay[], log: (line: string) => void): Way[] {
  return ways.map((way) => wayOf(way, log));
}

function wayOf(way: WatchWay, log: (line: string) => void): Way {
  switch (way.way) {
    case "log":
      return { name: "log", send: async (message) => log(logLine(message)) };
    case "webhook":
      return webhook(way);
    case "e-mail":
      return mail(way);
    case "mqtt":
      return mqttTopic(way);
  }
}

function logLine({ subject, changes }: WatchMessage): string {
  const things = changes.flatMap((change) => change.things);
  return things.length === 0 ? `Watch: ${subject}.` : `Watch: ${subject}. ${things.join(" ")}`;
}

/** What signs a message: HMAC-SHA256 (RFC 2104) over the timestamp, a full stop and the body, in hex. */
export function signature(secret: string, timestamp: string, body: string): string {
  return createHmac("sha256", secret).update(`${timestamp}.${body}`).digest("hex");
}

function webhook({ url, secret }: Extract<WatchWay, { way: "webhook" }>): Way {
  return {
    // The path may hold a secret of the receiver's.
    name: `webhook ${new URL(url).host}`,
    send: async (message, signal) => {
      const body = JSON.stringify(message);
      const timestamp = message.at;
      const response = await fetch(url, {
        method: "POST",
        body,
        signal,
        redirect: "error",
        headers: {
          "content-type": "application/json",
          "user-agent": "Mastlog",
          "idempotency-key": message.id,
          ...(secret === undefined
            ? {}
            : {
                "x-mastlog-timestamp": timestamp,
                "x-mastlog-signature": `sha256=${signature(secret, timestamp, body)}`,
              }),
        },
      }).catch((error: unknown) => {
        throw new Error(causeOf(error));
      });
      // The connection is free only once the answer was read.
      await response.body?.cancel();
      if (response.ok) return;
      const sentence = `the receiver answered ${response.status}`;
      // RFC 9110: a client error is the request's; 408, 425 and 429 ask for another try.
      const isFinal = response.status >= 400 && response.status < 500;
      throw isFinal && ![408, 425, 429].includes(response.status)
        ? new NotAccepted(sentence)
        : new Error(sentence);
    },
  };
}

function causeOf(error: unknown): string {
  const cause = error instanceof Error ? error.cause : undefined;
  if (cause instanceof Error && cause.message !== "") return cause.message;
  return errorText(error);
}

function mail({ host, port, tls, user, password, from, to }: Extract<WatchWay, { way: "e-mail" }>): Way {
  return {
    name: `e-mail to ${to.length === 1 ? to[0] : `${to.length} addresses`}`,
    send: async (message) => {
      // Loaded with the first message: most starts never need it.
      const { createTransport } = await import("nodemailer");
      const transport = createTransport({
        host,
        port,
        secure: tls === "tls",
        requireTLS: tls === "starttls",
        ignoreTLS: tls === "none",
        connectionTimeout: SEND_WITHIN_MS,
        greetingTimeout: SEND_WITHIN_MS,
        socketTimeout: SEND_WITHIN_MS,
        disableFileAccess: true,
        disableUrlAccess: true,
        ...(user === undefined ? {} : { auth: { user, pass: password ?? "" } }),
      });
      try {
        await transport.sendMail({
          from,
          to,
          subject: message.subject,
          text: message.text,
          // The same for each try: a receiver that has it already shows it once.
          messageId: `<${message.id}@mastlog.invalid>`,
          headers: { "Auto-Submitted": "auto-generated" },
        });
      } catch (error) {
        const code = error instanceof Error && "responseCode" in error ? Number(error.responseCode) : 0;
        const sentence = errorText(error);
        // RFC 5321 section 4.2.1: 5yz will fail again.
        throw code >= 500 && code < 600 ? new NotAccepted(sentence) : new Error(sentence);
      } finally {
        transport.close();
      }
    },
  };
}

function mqttTopic({ topic, ...address }: Extract<WatchWay, { way: "mqtt" }>): Way {
  return {
    name: `MQTT ${topic} at ${brokerName(address.url)}`,
    send: (message, signal) => publishOnce(address, { topic, payload: JSON.stringify(message) }, signal),
  };
}
