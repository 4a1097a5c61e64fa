/** What a service under test rests on: an intake that notes what it is told, and answers invented for the orchard. */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Readable } from "node:stream";
import type { FastifyInstance } from "fastify";
import { onTestFinished } from "vitest";
import type { JoinsView, PowerQuery, WindowQuery } from "../../src/contract/index.ts";
import type { TestOutcome } from "../../src/intake/downlink-test.ts";
import type {
  CaptureProgress,
  CommitDelta,
  IntakeFigures,
  IntakeHandle,
  TransmitRequest,
} from "../../src/intake/handle.ts";
import { renderReport } from "../../src/report/render.tsx";
import { buildService, type ServiceOptions } from "../../src/service/build.ts";
import type { Ask, AskedViews, Views } from "../../src/service/views.ts";
import type { Forgettable } from "../../src/store/forget.ts";
import type { UserChange } from "../../src/store/user-changes.ts";
import { type Written, written } from "../../src/store/written.ts";
import type { Picture } from "../../src/wire/picture/plain-picture.ts";
import * as orchard from "../browser/orchard.ts";
import * as orchardBench from "../browser/orchard-bench.ts";
import * as orchardCapacity from "../browser/orchard-capacity.ts";
import { downlinksView, testPlan } from "../browser/orchard-downlinks.ts";
import * as orchardGaps from "../browser/orchard-gaps.ts";
import { PLACES, planViewOf } from "../browser/orchard-plan.ts";
import { strangersView } from "../browser/orchard-strangers.ts";
import { placementRows, trialAnswer, trialsView } from "../browser/orchard-trials.ts";
import { walkView } from "../browser/orchard-walk.ts";
import { PNG_DOT } from "../wire/picture/pictures.ts";

export const NOW_MS = Date.UTC(2026, 3, 14, 10, 0, 0);
export const NODE = "01A2B3C4";
export const TOKEN = "orchard-token-of-32-characters-0";

export const WIDE: CommitDelta = { gateways: [], nodes: [], lastReceptionId: 1, wide: true };

export class FakeIntake implements Omit<IntakeHandle, "close"> {
  isSparing = false;
  looks = 0;
  readonly udp = [{ address: "127.0.0.1", port: 1700 }];
  readonly imported: { path: string; name: string; deleteAfter: boolean }[] = [];
  trouble: string | null = null;
  allowsTransmit = false;
  readonly transmitted: TransmitRequest[] = [];
  /** Runs before an import is answered. */
  onImport: (path: string) => void = () => {};
  now: IntakeFigures = {
    datagrams: 42,
    lastAtUs: NOW_MS * 1000,
    lastFrom: "192.0.2.7 40000",
    answeredAfterCommit: 40,
    answeredBeforeStored: 1,
    waiting: 0,
    dropped: 1,
    droppedBySource: [{ address: "198.51.100.9", port: 5_000, count: 1, lastAtUs: NOW_MS * 1000 }],
    kernelDrops: 3,
    receiveBuffer: { askedBytes: 8_388_608, grantedBytes: 212_992 },
    storage: "well",
    storageWords: "",
    check: { state: "sound", words: "Checked at the start: no damage." },
    datagramFile: null,
    relay: null,
  };
  readonly #commits = new Set<(delta: CommitDelta) => void>();
  readonly #captures = new Set<(progress: CaptureProgress) => void>();

  figures(): IntakeFigures {
    return this.now;
  }
  onCommit(listener: (delta: CommitDelta) => void): () => void {
    this.#commits.add(listener);
    return () => this.#commits.delete(listener);
  }
  async look(): Promise<void> {
    this.looks += 1;
  }
  onCapture(listener: (progress: CaptureProgress) => void): () => void {
    this.#captures.add(listener);
    return () => this.#captures.delete(listener);
  }
  async transmitTest(request: TransmitRequest): Promise<TestOutcome> {
    if (this.trouble !== null) throw new Error(this.trouble);
    this.transmitted.push(request);
    return {
      outcome: { result: "accepted", word: null, powerDbm: null },
      answeredAfterMs: 4.2,
      atUs: NOW_MS * 1000,
      to: { address: "192.0.2.7", port: 40_000 },
    };
  }
  async importCapture(request: { path: string; name: string; deleteAfter: boolean }): Promise<number> {
    this.onImport(request.path);
    if (this.trouble !== null) throw new Error(this.trouble);
    this.imported.push(request);
    return this.imported.length;
  }
  /** What people entered, in order. */
  readonly changes: UserChange[] = [];
  /** What came of the next change. */
  outcome: Written = written(7);
  async change(change: UserChange): Promise<Written> {
    if (this.trouble !== null) throw new Error(this.trouble);
    this.changes.push(change);
    return this.outcome;
  }
  #entered<Entity extends UserChange["entity"]>(entity: Entity): Extract<UserChange, { entity: Entity }>[] {
    return this.changes.filter(
      (change): change is Extract<UserChange, { entity: Entity }> => change.entity === entity,
    );
  }
  get labels() {
    return this.#entered("label").map(({ change }) => change);
  }
  get marks() {
    return this.#entered("mark").map(({ work }) => work);
  }
  get placements() {
    return this.#entered("placement").map(({ work }) => work);
  }
  get positions() {
    return this.#entered("position").map(({ request }) => request);
  }
  readonly forgotten: Forgettable[] = [];
  async forget(thing: Forgettable): Promise<Written> {
    if (this.trouble !== null) throw new Error(this.trouble);
    this.forgotten.push(thing);
    return written(1);
  }
  commit(delta: CommitDelta): void {
    for (const listener of this.#commits) listener(delta);
  }
  capture(progress: CaptureProgress): void {
    for (const listener of this.#captures) listener(progress);
  }
  get listeners(): number {
    return this.#commits.size + this.#captures.size;
  }
}

/** The orchard's answers; `asked` notes the questions, `trouble` makes every answer fail. */
export class FakeViews implements Views {
  readonly asked: unknown[][] = [];
  trouble: Error | null = null;
  /** Lets a test change an answer on its way. */
  change: <T>(answer: T) => T = (answer) => answer;

  #answer<T>(question: unknown[], answer: T): T {
    this.asked.push(question);
    if (this.trouble !== null) throw this.trouble;
    return this.change(answer);
  }
  recentFromUs() {
    return null;
  }
  kept() {
    return this.#answer(["kept"], { maxAgeDays: null, maxBytes: null, removed: null, givesBack: true });
  }
  stored() {
    const facts = {
      siteName: "Fennick Orchard",
      sites: [],
      bytes: 4096,
      receptions: 1000,
      fromUs: 1e15,
      toUs: 2e15,
    };
    return this.#answer(["stored"], facts);
  }
  site(window: WindowQuery, nowUs: number) {
    return this.#answer(["site", window], orchard.siteView(spanOf(window, nowUs)));
  }
  gateways(window: WindowQuery, nowUs: number) {
    const { gateways, window: covered } = orchard.siteView(spanOf(window, nowUs));
    return this.#answer(["gateways", window], { window: covered, gateways, moreGateways: 0 });
  }
  joins(window: WindowQuery): JoinsView {
    const span = { from: "2026-03-14T09:00:00.000Z", to: "2026-03-14T10:00:00.000Z", live: false };
    return this.#answer(["joins", window], {
      window: span,
      sentence: [{ text: "No device asked to join in this window." }],
      joins: [],
      joinsCut: false,
    });
  }

  nodes(window: WindowQuery, nowUs: number) {
    return this.#answer(["nodes", window], orchard.nodesView(spanOf(window, nowUs)));
  }
  node(devAddr: string, life: number, window: WindowQuery, nowUs: number) {
    if (devAddr !== NODE || life !== 1) return this.#answer(["node", devAddr, life], null);
    return this.#answer(
      ["node", devAddr, life, window],
      orchard.nodePage(devAddr, spanOf(window, nowUs), null),
    );
  }
  receptions(question: Parameters<Views["receptions"]>[0], window: WindowQuery, nowUs: number) {
    if (question.before === "none" || question.devAddr === "01FFFFFF")
      return this.#answer(["receptions"], null);
    const { devAddr = NODE, before = null, limit } = question;
    const page = orchard.receptionPage(devAddr, spanOf(window, nowUs), before, limit);
    return this.#answer(["receptions", question, window], page);
  }
  frame(id: number) {
    if (id > 1_000_000) return this.#answer(["frame", id], null);
    return this.#answer(["frame", id], orchard.frameView(id, spanOf({ last: 3600 }, NOW_MS * 1000)));
  }
  rowsAfter(asked: Parameters<Views["rowsAfter"]>[0]): ReturnType<Views["rowsAfter"]> {
    return this.#answer(["rowsAfter", asked], {
      receptions: [],
      frames: [],
      newest: { receptionId: 0, frameId: 0 },
    });
  }
  bench(eui: string, window: WindowQuery, nowUs: number, expected: string | null) {
    const view = orchardBench.benchView(eui, spanOf(window, nowUs), null, null, expected);
    return this.#answer(["bench", eui, window, expected], view);
  }
  capacity(share: number | undefined, window: WindowQuery, nowUs: number) {
    return this.#answer(
      ["capacity", share, window],
      orchardCapacity.capacityView(spanOf(window, nowUs), share),
    );
  }
  nodeCost(devAddr: string, power: PowerQuery, window: WindowQuery, nowUs: number) {
    const view = orchardCapacity.nodeCostView(devAddr, power, spanOf(window, nowUs));
    return this.#answer(["nodeCost", devAddr, power, window], view);
  }
  receiver(eui: string, window: WindowQuery, nowUs: number) {
    const view = orchardBench.receiverView(eui, spanOf(window, nowUs));
    return this.#answer(["receiver", eui, window], view);
  }
  photo: Picture | null = null;
  placementPhoto(id: number) {
    return this.#answer(["placementPhoto", id], this.photo);
  }
  benchTable(window: WindowQuery, nowUs: number, expected: string | null) {
    const { window: covered } = orchard.siteView(spanOf(window, nowUs));
    return this.#answer(["benchTable", window, expected], {
      window: covered,
      gateways: [],
      gone: 0,
      leftOut: 0,
    });
  }
  benchReference() {
    return this.#answer(["benchReference"], orchardBench.REFERENCE);
  }
  strangers(window: WindowQuery, nowUs: number) {
    return this.#answer(["strangers", window], strangersView(spanOf(window, nowUs)));
  }
  air(window: WindowQuery, nowUs: number) {
    return this.#answer(["air", window], orchard.airView(spanOf(window, nowUs)));
  }
  gaps(window: WindowQuery, nowUs: number) {
    const span = spanOf(window, nowUs);
    const none = { gaps: 0, open: 0, nodes: 0, missedCounters: 0, byCause: {} };
    const sentence = [{ text: "No gap." }];
    return this.#answer(["gaps", window], {
      window: orchard.siteView(span).window,
      sentence,
      counts: { ...none, own: none },
      episodes: [],
      gaps: [],
      recordedSeconds: 3_600,
      gapsCut: false,
    });
  }
  gap(id: string) {
    return this.#answer(["gap", id], null);
  }
  report(asked: Parameters<Views["report"]>[0], window: WindowQuery, nowUs: number) {
    const span = spanOf(window, nowUs);
    const site = orchard.siteView(span);
    const { withPayloads, ...own } = asked;
    const data = {
      ...own,
      window: site.window,
      site,
      gateways: site.gateways,
      nodes: orchard.nodesView(span),
      air: orchard.airView(span),
      benches: [],
      gaps: orchardGaps.gapsView(span),
      evidence: new Map(),
      trials: trialsView(site.window),
      photos: new Map([[2, `data:image/png;base64,${PNG_DOT.toString("base64")}`]]),
      trialAnswers: [trialAnswer(site.window)],
      marks: orchard.marksView(span),
      walks: [walkView(span)],
      payloads: withPayloads ? [] : null,
      captures: orchard.capturesView(NOW_MS).captures,
    };
    return this.#answer(["report", asked, window], { from: data.window.from, html: renderReport(data) });
  }
  downlinkTestPlan(...asked: Parameters<Views["downlinkTestPlan"]>) {
    return this.#answer(["downlinkTestPlan", ...asked], testPlan(asked[0], asked[2]));
  }
  downlinkTestVerdict(...asked: Parameters<Views["downlinkTestVerdict"]>) {
    const [{ powerDbm }, , forbidden] = asked;
    const why =
      forbidden || (powerDbm > 14 ? "That is more than the 14 dBm published for that channel." : "");
    const verdict: ReturnType<Views["downlinkTestVerdict"]> =
      why === ""
        ? {
            ok: true,
            airtimeUs: 144_384,
            modulation: { kind: "lora", spreadingFactor: 9, bandwidthHz: 125_000, codingRate: "4/5" },
          }
        : { ok: false, why };
    return this.#answer(["downlinkTestVerdict", ...asked], verdict);
  }
  downlinks(question: Parameters<Views["downlinks"]>[0], window: WindowQuery, nowUs: number) {
    return this.#answer(["downlinks", question, window], downlinksView(nowUs / 1000));
  }
  captures(progressOf: (id: number) => number | null) {
    const { captures } = orchard.capturesView(NOW_MS);
    const shown = captures.map((row) => ({ ...row, progress: progressOf(row.id) }));
    return this.#answer(["captures"], shown);
  }
  plan(window: WindowQuery, nowUs: number) {
    return this.#answer(["plan", window], planViewOf(spanOf(window, nowUs)));
  }
  positions() {
    return this.#answer(["positions"], { positions: PLACES });
  }
  keys() {
    const row = {
      id: NODE,
      devAddr: NODE,
      devEui: null,
      held: ["nwkSKey", "appSKey"],
      counterBits: null,
      origin: "person" as const,
      note: null,
    };
    return this.#answer(["keys"], { keys: [row] });
  }
  trials(pair: Parameters<Views["trials"]>[0], window: WindowQuery, nowUs: number) {
    const { window: covered } = orchard.siteView(spanOf(window, nowUs));
    return this.#answer(["trials", pair, window], trialsView(covered));
  }
  compare(a: string, b: string, window: WindowQuery, nowUs: number) {
    const { window: covered } = orchard.siteView(spanOf(window, nowUs));
    return this.#answer(["compare", a, b, window], a === "nowhere" ? null : trialAnswer(covered));
  }
  placements() {
    return this.#answer(["placements"], placementRows());
  }
  marks(question: Parameters<Views["marks"]>[0], window: WindowQuery, nowUs: number) {
    return this.#answer(["marks", question, window], orchard.marksView(spanOf(window, nowUs)));
  }
  markEffect(id: number, query: Parameters<Views["markEffect"]>[1]) {
    return this.#answer(["markEffect", id, query], "no-such-mark" as const);
  }
  walk(devAddr: string, window: WindowQuery, nowUs: number) {
    return this.#answer(["walk", devAddr, window], walkView(spanOf(window, nowUs)));
  }
  toBeForgotten(thing: Parameters<Views["toBeForgotten"]>[0]) {
    const known = thing.id === NODE || thing.id === orchardBench.REFERENCE.eui;
    const all = {
      datagrams: 5,
      receptions: 4,
      frames: 3,
      placements: 2,
      marks: 1,
      keys: 0,
      words: "5 datagrams",
    };
    return this.#answer(["toBeForgotten", thing], known ? all : null);
  }
  watchSettings() {
    return this.#answer(["watchSettings"], { rules: null, state: null, waiting: null });
  }
  watchFacts(withNoise: boolean, nowUs: number) {
    const health = { recordedSeconds: 3_600, notRecordingSeconds: 1, gateways: [], nodes: [] };
    return this.#answer(["watchFacts", withNoise, nowUs], {
      health,
      findings: [],
      noise: [],
      clockStepsUs: [],
    });
  }
  siteFigures(nowUs: number) {
    return this.#answer(["siteFigures", nowUs], {
      gateways: [],
      channels: [],
      nodes: [],
      cut: { gateways: 0, channels: 0, nodes: 0 },
    });
  }
  notices() {
    return this.#answer(["notices"], []);
  }
  refusals() {
    return this.#answer(["refusals"], orchard.refusals(NOW_MS));
  }
}

function spanOf({ from, to, last }: WindowQuery, nowUs: number): orchard.Span {
  const nowMs = nowUs / 1000;
  if (last !== undefined) return { fromMs: nowMs - last * 1000, toMs: nowMs, live: true };
  const toMs = to === undefined ? nowMs : Date.parse(to);
  return { fromMs: from === undefined ? toMs - 3_600_000 : Date.parse(from), toMs, live: false };
}

export interface UnderTest {
  readonly app: FastifyInstance;
  readonly intake: FakeIntake;
  readonly views: FakeViews;
  readonly uploadFolder: string;
}

/** Questions that are answered here, after a turn of the event loop's queue. */
export function askOf(views: Views): Ask {
  return () =>
    new Proxy({} as AskedViews, {
      get: (_, question: keyof AskedViews) => {
        const answer = views[question].bind(views) as (...asked: unknown[]) => unknown;
        return async (...asked: unknown[]) => answer(...asked);
      },
    });
}

/** A service on fakes, or on the views given, closed when the test ends. */
export async function serviceUnderTest({
  views: given,
  ...part
}: Partial<ServiceOptions> & { readonly views?: Views } = {}): Promise<UnderTest> {
  const intake = new FakeIntake();
  const views = new FakeViews();
  const folder = mkdtempSync(join(tmpdir(), "mastlog-service-"));
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }));
  const uploadFolder = join(folder, "uploads");
  const app = await buildService({
    facts: given ?? views,
    ask: askOf(given ?? views),
    exports: {
      begin: async ({ what, format }) => ({
        name: `mastlog-${what}.${format}`,
        stream: Readable.from([Buffer.from("devAddr\r\n"), Buffer.from(`${NODE}\r\n`)]),
      }),
      list: () => [{ id: 1, name: "mastlog-nodes.csv", state: "running", share: 0.25, bytes: 48_000 }],
    },
    intake,
    webRoot: null,
    version: "0.0.1",
    now: () => NOW_MS,
    host: "127.0.0.1",
    port: 8470,
    token: null,
    uploadFolder,
    samplesFolder: null,
    logger: null,
    ownNames: () => ["192.0.2.20", "packing-shed", "packing-shed.local"],
    ...part,
  });
  onTestFinished(async () => {
    await app.close();
  });
  return { app, intake, views, uploadFolder };
}
