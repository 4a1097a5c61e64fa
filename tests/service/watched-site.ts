/** A site whose facts a test sets, minute by minute, watched by the service; restarts keep the store. */
import { WatchFile, type WatchMessage } from "../../src/contract/watches.ts";
import type { GatewayHealth, NodeHealth } from "../../src/diagnosis/check.ts";
import type { StoredWatchFacts } from "../../src/diagnosis/watches.ts";
import { NO_DISK_SPACE } from "../../src/service/disk-space.ts";
import { WatchService } from "../../src/service/watch-service.ts";
import type { Way } from "../../src/service/watch-ways.ts";
import { openStore } from "../../src/store/open.ts";
import { watchSettings } from "../../src/store/settings.ts";
import { type UserChange, writeUserChange } from "../../src/store/user-changes.ts";

export const START_MS = Date.UTC(2026, 2, 14, 9);
export const NOTHING: StoredWatchFacts = {
  health: { recordedSeconds: 3_600, notRecordingSeconds: 1, gateways: [], nodes: [] },
  findings: [],
  noise: [],
  clockStepsUs: [],
};
export const gateway = (eui: string, silentSeconds: number): GatewayHealth => ({
  eui,
  name: null,
  silentSeconds,
  isOut: silentSeconds > 30,
});
export const node = (devAddr: string, change: Partial<NodeHealth>): NodeHealth => ({
  devAddr,
  name: null,
  isStranger: false,
  silentSeconds: 10,
  isOverdue: false,
  expected: 60,
  missed: 0,
  missedDuringOutage: 0,
  ...change,
});

/** `ways`: by default one that notes what it is told, while it can be reached. */
export function watchedSite(file: unknown, ways?: readonly Way[]) {
  const store = openStore(":memory:");
  let minute = 0;
  let monotonicMinute = 0;
  let facts: StoredWatchFacts = NOTHING;
  let ofSites: Readonly<Record<string, Partial<StoredWatchFacts>>> = {};
  let isReadable = true;
  let isReachable = true;
  const lines: string[] = [];
  const told: WatchMessage[] = [];
  const storage = { storage: "well" as "well" | "failed", storageWords: "" };
  const start = () =>
    new WatchService({
      file: file === null ? null : WatchFile.parse(file),
      ways: ways ?? [
        {
          name: "test",
          send: async (message) => {
            if (!isReachable) throw new Error("no line");
            told.push(message);
          },
        },
      ],
      facts: {
        watchSettings: () => watchSettings(store),
        stored: () => ({ siteName: "Orchard", sites: [], bytes: 0, receptions: 0, fromUs: null, toUs: null }),
      },
      storedFacts: async (_withNoise, _nowUs, site) => {
        if (!isReadable) throw new Error("busy");
        return site === null ? facts : { ...NOTHING, ...ofSites[site] };
      },
      figures: () => storage,
      diskSpace: () => NO_DISK_SPACE,
      change: async (change: UserChange) => writeUserChange(store, change),
      now: () => START_MS + minute * 60_000,
      clock: { monotonicMs: () => monotonicMinute * 60_000, after: () => () => undefined },
      log: (line) => void lines.push(line),
    });
  let service = start();
  return {
    told,
    storage,
    get service() {
      return service;
    },
    lines,
    restart: async () => {
      await service.close();
      service = start();
      service.start();
      // The recorder is never asked to wait for an answer of a way.
      await new Promise((done) => setImmediate(done));
    },
    setReachable: (is: boolean) => {
      isReachable = is;
    },
    setReadable: (is: boolean) => {
      isReadable = is;
    },
    setClock: (byMinutes: number) => {
      minute += byMinutes;
    },
    /** Looks once a minute. */
    pass: async (
      minutes: number,
      next: Partial<StoredWatchFacts> = {},
      sites: Readonly<Record<string, Partial<StoredWatchFacts>>> = {},
    ) => {
      facts = { ...NOTHING, ...next };
      ofSites = sites;
      for (let i = 0; i < minutes; i++) {
        minute += 1;
        monotonicMinute += 1;
        await service.look();
      }
    },
  };
}
