/**
 * Watches while nobody looks. Each minute: facts, conditions, at most one message, handed to every way. What was sent, and
 * what a way could not deliver yet, is kept in the store, so that a restart says nothing twice and loses nothing.
 */
import { randomUUID } from "node:crypto";
import type { ServiceStatus } from "../contract/service.ts";
import {
  USUAL_RULES,
  WaitingMessages,
  type WatchesView,
  type WatchFile,
  type WatchMessage,
  type WatchRule,
  WatchRules,
} from "../contract/watches.ts";
import {
  NO_WATCH_STATE,
  stepWatches,
  testMessage,
  WatchState,
  watchChange,
  watchMessage,
} from "../diagnosis/incidents.ts";
import {
  conditionsOf,
  NO_WATCH_FACTS,
  type NoiseFact,
  type StoredWatchFacts,
  siteOfRule,
} from "../diagnosis/watches.ts";
import type { IntakeFigures, IntakeHandle } from "../intake/handle.ts";
import { readAs } from "../store/settings.ts";
import type { Written } from "../store/written.ts";
import type { DiskSpace } from "./disk-space.ts";
import type { LiveClock } from "./live-view.ts";
import type { Facts } from "./views.ts";
import { type Way, WayQueue, type WayStatus } from "./watch-ways.ts";

/** Chosen: a limit of minutes is kept to the minute, and a look costs some milliseconds of a reading thread. */
const LOOK_EVERY_MS = 60_000;
/** Noise changes over hours, and takes longer to be read. */
const NOISE_EVERY_LOOKS = 10;
/** Looks after which an incident's newest sight is stored again. */
const STORE_EVERY_LOOKS = 10;
/** The system's clock counts as set back from here on. Chosen: more than its steering shows in a minute. */
const SET_BACK_MS = 2_000;
const MAX_MESSAGES = 20;
const STORE_WITHIN_MS = 1_000;

export interface WatchServiceOptions {
  /** null: none was given. */
  readonly file: WatchFile | null;
  readonly ways: readonly Way[];
  readonly facts: Pick<Facts, "watchSettings" | "stored">;
  /** `site`: of its gateways alone; null: of all. */
  readonly storedFacts: (withNoise: boolean, nowUs: number, site: string | null) => Promise<StoredWatchFacts>;
  readonly figures: () => Pick<IntakeFigures, "storage" | "storageWords">;
  readonly diskSpace: () => DiskSpace;
  readonly change: IntakeHandle["change"];
  /** Milliseconds since 1970. */
  readonly now: () => number;
  readonly clock: LiveClock;
  readonly log: (sentence: string) => void;
}

export class WatchService {
  readonly #options: WatchServiceOptions;
  readonly #queues: readonly WayQueue[];
  #rules: readonly WatchRule[];
  #state: WatchState;
  #storedState = "";
  #storedWaiting = NOTHING_WAITS;
  #unsent: WaitingMessages;
  /** By site; null: of all. */
  #noise: ReadonlyMap<string | null, readonly NoiseFact[]> = new Map();
  #messages: WatchMessage[] = [];
  #looks = 0;
  #lastLook: { readonly wallMs: number; readonly monotonicMs: number } | null = null;
  #cancel: (() => void) | null = null;
  #onMoved: () => void = () => undefined;

  constructor(options: WatchServiceOptions) {
    this.#options = options;
    const { rules, state, waiting } = options.facts.watchSettings();
    this.#unsent = readAs(WaitingMessages, waiting) ?? [];
    if (waiting !== null) this.#storedWaiting = waiting;
    this.#rules = options.file?.watches ?? readAs(WatchRules, rules) ?? [];
    this.#state = readAs(WatchState, state) ?? NO_WATCH_STATE;
    const { clock, log, now } = options;
    const onMoved = () => {
      void this.#storeWaiting();
      this.#onMoved();
    };
    this.#queues = options.ways.map((way) => new WayQueue(way, { clock, log, now, onMoved }));
  }

  /** Calls back when there is something new to show. */
  onMoved(listener: () => void): void {
    this.#onMoved = listener;
  }

  /** Sends what an earlier run could not deliver, and looks each minute from now on. */
  start(): void {
    this.#resume();
    this.#lookLater();
  }

  #lookLater(): void {
    this.#cancel = this.#options.clock.after(LOOK_EVERY_MS, () => {
      void this.look().finally(() => {
        if (this.#cancel !== null) this.#lookLater();
      });
    });
  }

  /** Ends within about two seconds; what is not delivered by then waits in the store. */
  async close(): Promise<void> {
    this.#cancel?.();
    this.#cancel = null;
    await Promise.all(this.#queues.map((queue) => queue.close()));
    // A store that takes nothing does not hold up the end.
    await Promise.race([
      this.#storeWaiting(),
      new Promise((done) => setTimeout(done, STORE_WITHIN_MS).unref()),
    ]);
  }

  /** One look. Never rejects: what cannot be read now is read at the next. */
  async look(): Promise<void> {
    if (this.#rules.length === 0) return;
    const { now, diskSpace, figures, file } = this.#options;
    const setBackSeconds = this.#setBackSeconds();
    const stored = await this.#readFacts();
    const nowUs = now() * 1000;
    const { storage, storageWords } = figures();
    const space = diskSpace();
    // Where even the store cannot be read, what the service itself knows is still sent.
    const facts = {
      ...(stored?.get(null) ?? NO_WATCH_FACTS),
      noise: this.#noise.get(null) ?? [],
      sites: this.#ofSites(stored),
      diskWords: space.state === "low" ? space.words : "",
      notRecordingWords: storage === "failed" ? storageWords || "What arrives cannot be stored." : "",
      setBackSeconds,
    };
    const conditions = conditionsOf(this.#rules, facts, nowUs);
    const kept = stored === null ? this.#unseen(conditions.lasting.map(({ key }) => key)) : [];
    const lasting = [...conditions.lasting, ...kept];
    const mostAnHour = file?.mostAnHour ?? MOST_AN_HOUR;
    const step = stepWatches(this.#state, { ...conditions, lasting }, nowUs, mostAnHour);
    const isMoved = step.changes.length > 0 || step.state.incidents.length !== this.#state.incidents.length;
    this.#state = step.state;
    this.#looks += 1;
    // First on record, then sent: a crash in between loses a message, it does not repeat one.
    await this.#store(isMoved || this.#looks % STORE_EVERY_LOOKS === 0);
    if (step.changes.length > 0)
      this.#tell(watchMessage(step.changes, { id: randomUUID(), site: this.#site(), atUs: nowUs }));
    else if (isMoved) this.#onMoved();
  }

  /** Sends a message that says that it is a test, by every way. */
  test(): WatchMessage {
    const message = testMessage({ id: randomUUID(), site: this.#site(), atUs: this.#options.now() * 1000 });
    this.#tell(message);
    return message;
  }

  /** Takes rules of the page. False: a file gives them. */
  async setRules(rules: readonly WatchRule[]): Promise<Written | null> {
    if (this.#options.file?.watches !== undefined) return null;
    const written = await this.#options.change({ entity: "watch-rules", rules: JSON.stringify(rules) });
    if (!written.ok) return written;
    this.#rules = rules;
    const kinds = new Set(rules.map(({ watch }) => watch));
    // What is no longer watched is over without a word.
    this.#state = {
      ...this.#state,
      incidents: this.#state.incidents.filter(({ watch }) => kinds.has(watch)),
      events: this.#state.events.filter(({ watch }) => kinds.has(watch)),
    };
    this.#onMoved();
    return written;
  }

  view(): WatchesView {
    const { file } = this.#options;
    const fromFile = file?.watches !== undefined;
    return {
      rules: [...this.#rules],
      rulesFrom: fromFile ? "file" : this.#rules.length > 0 ? "page" : "nobody",
      usual: [...USUAL_RULES],
      mostAnHour: file?.mostAnHour ?? MOST_AN_HOUR,
      ways: [PAGE, ...this.#queues.map(({ status }) => status)],
      open: this.#state.incidents.map(({ id, watch, parts, fromUs }) =>
        watchChange({
          incident: id,
          change: "begin",
          watch,
          things: parts.map(({ sentence }) => sentence),
          fromUs,
          toUs: null,
        }),
      ),
      messages: this.#messages,
    };
  }

  /** What every page shows of it. */
  summary(): NonNullable<ServiceStatus["watch"]> {
    const [newest] = this.#messages;
    return {
      open: this.#state.incidents.filter(({ stage }) => stage === "told").length,
      newest: newest === undefined ? null : { id: newest.id, at: newest.at, subject: newest.subject },
    };
  }

  #tell(message: WatchMessage): void {
    this.#messages = [message, ...this.#messages].slice(0, MAX_MESSAGES);
    for (const queue of this.#queues) queue.add(message);
    void this.#storeWaiting();
    this.#onMoved();
  }

  #resume(): void {
    const unsent = this.#unsent;
    this.#unsent = [];
    for (const [key, queue] of this.#keyed()) {
      queue.resume(unsent.filter(({ way }) => way === key).map(({ message }) => message));
    }
    const keys = new Set(this.#keyed().map(([key]) => key));
    for (const { way, message } of unsent)
      if (!keys.has(way))
        this.#options.log(`${way} is no recipient any more: "${message.subject}" is dropped.`);
    void this.#storeWaiting();
  }

  /** Each queue by a name of its own; a second one of the same name by a number behind it. */
  #keyed(): [string, WayQueue][] {
    return this.#queues.map((queue, index) => {
      const before = this.#queues.slice(0, index).filter(({ name }) => name === queue.name).length;
      return [before === 0 ? queue.name : `${queue.name} (${before + 1})`, queue];
    });
  }

  /** A test message is for whoever waits for it now: it is not kept. */
  async #storeWaiting(): Promise<void> {
    const waiting = this.#keyed().flatMap(([way, queue]) =>
      queue.waiting.filter(({ test }) => !test).map((message) => ({ way, message })),
    );
    const text = JSON.stringify([...this.#unsent, ...waiting]);
    if (text === this.#storedWaiting) return;
    this.#storedWaiting = text;
    const failed = () => {
      // Whatever was newer is written by itself; this one is tried again with the next change.
      if (this.#storedWaiting === text) this.#storedWaiting = "";
    };
    await this.#options.change({ entity: "watch-waiting", waiting: text }).then(({ ok }) => {
      if (!ok) failed();
    }, failed);
  }

  #ofSites(stored: ReadonlyMap<string | null, StoredWatchFacts> | null): Map<string, StoredWatchFacts> {
    const sites = new Map<string, StoredWatchFacts>();
    for (const [site, facts] of stored ?? [])
      if (site !== null) sites.set(site, { ...facts, noise: this.#noise.get(site) ?? [] });
    return sites;
  }

  /** By site; null: of all. */
  async #readFacts(): Promise<ReadonlyMap<string | null, StoredWatchFacts> | null> {
    const isNoiseWatched = this.#rules.some(({ watch }) => watch === "noise-up");
    const withNoise = isNoiseWatched && this.#looks % NOISE_EVERY_LOOKS === 0;
    try {
      const nowUs = this.#options.now() * 1000;
      const asked = [...new Set([null, ...this.#rules.map(siteOfRule)])];
      const answers = await Promise.all(
        asked.map(async (site) => [site, await this.#options.storedFacts(withNoise, nowUs, site)] as const),
      );
      const facts = new Map(answers);
      if (withNoise || !isNoiseWatched)
        this.#noise = new Map(answers.map(([site, { noise }]) => [site, noise]));
      return facts;
    } catch {
      return null;
    }
  }

  /** What lasted at the last look, and is not known now. */
  #unseen(seen: readonly string[]) {
    return this.#state.incidents.flatMap(({ watch, parts }) =>
      watch === "disk-short" || watch === "not-recording"
        ? []
        : parts
            .filter(({ key }) => !seen.includes(key))
            .map(({ key, sentence }) => ({ key, watch, sentence })),
    );
  }

  #setBackSeconds(): number {
    const wallMs = this.#options.now();
    const monotonicMs = this.#options.clock.monotonicMs();
    const last = this.#lastLook;
    this.#lastLook = { wallMs, monotonicMs };
    if (last === null) return 0;
    const behindMs = monotonicMs - last.monotonicMs - (wallMs - last.wallMs);
    return behindMs > SET_BACK_MS ? Math.round(behindMs / 1_000) : 0;
  }

  async #store(isDue: boolean): Promise<void> {
    const state = JSON.stringify(this.#state);
    if (!isDue || state === this.#storedState) return;
    // A store that takes nothing is reported as "not recording"; the state is tried again with the next change.
    await this.#options.change({ entity: "watch-state", state }).then(
      ({ ok }) => {
        if (ok) this.#storedState = state;
      },
      () => undefined,
    );
  }

  #site(): string {
    return this.#options.facts.stored().siteName;
  }
}

const MOST_AN_HOUR = 4;
/** As it is written when every message was delivered. */
const NOTHING_WAITS = "[]";
const PAGE: WayStatus = { name: "this page, while it is open", state: "idle", words: "", at: null };
