/**
 * Against what does a browser test run? A service of the contract's shape with invented answers, whose line can be
 * cut, whose answers can fail, wait or be empty. Every answer is checked against the contract before it leaves.
 */
import { readFile } from "node:fs/promises";
import { createServer, type IncomingMessage, type ServerResponse } from "node:http";
import type { AddressInfo, Socket } from "node:net";
import { extname, join } from "node:path";
import { type WebSocket, WebSocketServer } from "ws";
import type { z } from "zod";
import * as contract from "../../src/contract/index.ts";
import { benchRow } from "../../src/views/bench.ts";
import * as orchard from "./orchard.ts";
import * as orchardBench from "./orchard-bench.ts";
import * as orchardCapacity from "./orchard-capacity.ts";
import { downlinksView, testAnswer, testPlan } from "./orchard-downlinks.ts";
import { gapPage, gapsView } from "./orchard-gaps.ts";
import { planViewOf } from "./orchard-plan.ts";
import { KEY_ROWS } from "./orchard-story.ts";
import { strangersView } from "./orchard-strangers.ts";
import { markEffect, trialsView } from "./orchard-trials.ts";
import { walkView } from "./orchard-walk.ts";

export interface FakeService {
  readonly url: string;
  /** Requests for data since the start: "GET /api/site?last=3600". */
  readonly asked: string[];
  /** Bodies of PUT and POST, in order. */
  readonly received: { path: string; body: string; size: number }[];
  /** Messages that clients sent over the live line. */
  readonly heard: unknown[];
  mood: Mood;
  /** Ends every live line and refuses new ones until `mood.line` is true again. */
  cutLine(): void;
  /** Sends a raw message to every subscription of a topic; `seq` counts on unless a hole is wanted. */
  push(
    topic: string,
    message: { set?: Record<string, unknown>; edit?: Record<string, contract.Edit> },
    skip?: number,
  ): void;
  close(): Promise<void>;
}

export interface Mood {
  line: boolean;
  /** Paths (beginnings) that fail, and how. */
  fail: Record<string, { status: number; body: unknown }>;
  /** Paths that never answer. */
  silent: string[];
  /** Nothing was ever stored. */
  empty: boolean;
  /** Moment at which what is stored ends; null: now. */
  storedUntil: number | null;
  /** Points a gateway in a node's series; null: as many as counters. */
  points: number | null;
  status: Partial<contract.ServiceStatus>;
  /** How far exports are. */
  exports: readonly contract.ExportProgress[];
  /** What people noted; POST, PUT and DELETE change it. Null: the two notes of the orchard. */
  marks: readonly contract.MarkRow[] | null;
  /** What bench lists are measured against; PUT and DELETE change it. */
  reference: contract.BenchReference | null;
  /** What was noted of gateways on the bench. */
  benchRecords: Map<string, Pick<contract.BenchView, "serial" | "signedOff">>;
  /** Whether the trial is settled. */
  trialEnough: boolean;
  /** Keys at hand; DELETE and PUT change them. */
  keys: readonly contract.KeyRow[];
  /** Whether the service was started with --allow-transmit. */
  transmit: boolean;
}

/** How the service is before anything was asked of it. */
export function calmMood(): Mood {
  return {
    line: true,
    fail: {},
    silent: [],
    empty: false,
    storedUntil: null,
    points: null,
    status: {},
    exports: [],
    marks: null,
    reference: null,
    benchRecords: new Map(),
    trialEnough: true,
    keys: KEY_ROWS,
    transmit: false,
  };
}

// The strictest that the service may send: the dashboard must live with it.
const POLICY =
  "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; font-src 'self'; base-uri 'none'; form-action 'none'";
const TYPES: Record<string, string> = {
  ".html": "text/html; charset=utf-8",
  ".js": "text/javascript",
  ".css": "text/css",
  ".svg": "image/svg+xml",
};

interface Subscription {
  readonly socket: WebSocket;
  readonly id: number;
  readonly topic: string;
  readonly last: number;
  readonly key: string | null;
  seq: number;
}

/** Starts the fake on a free port of 127.0.0.1, serving the built dashboard from `folder`. */
export async function startFakeService(folder: string): Promise<FakeService> {
  const names = new Map<string, string | null>();
  const owned = new Map<string, boolean | null>();
  let siteName: string | null = null;
  const asked: string[] = [];
  const received: FakeService["received"] = [];
  const heard: unknown[] = [];
  const sockets = new Set<Socket>();
  const subscriptions = new Set<Subscription>();
  const mood = calmMood();
  // The page of a gap knows no window: it is of those last listed.
  let gapsSpan: orchard.Span = { fromMs: Date.now() - 3_600_000, toMs: Date.now(), live: true };

  const status = (): contract.ServiceStatus => {
    const part = { ...mood.status };
    const said = orchard.serviceStatus(Date.now(), part);
    if (mood.empty) {
      said.arrived = mood.status.arrived ?? { datagrams: 0, lastAt: null, lastFrom: null };
      said.storage = { ...said.storage, receptions: 0, from: null, to: null };
      said.refusals = [];
    } else if (mood.storedUntil !== null) {
      said.storage = {
        ...said.storage,
        from: new Date(mood.storedUntil - 7_200_000).toISOString(),
        to: new Date(mood.storedUntil).toISOString(),
      };
    }
    if (siteName !== null) said.siteName = siteName;
    return contract.ServiceStatus.parse(said);
  };

  const view = (topic: string, span: orchard.Span, key: string | null): unknown => {
    switch (topic) {
      case "status":
        return status();
      case "site": {
        const site = orchard.siteView(span, names);
        if (mood.empty)
          Object.assign(site, {
            empty: true,
            gateways: [],
            attention: [],
            nodeCount: 0,
            strangerCount: 0,
            air: [],
            sentence: [],
          });
        return contract.SiteView.parse(site);
      }
      case "nodes": {
        const nodes = orchard.nodesView(span, names);
        if (mood.empty) Object.assign(nodes, { nodes: [], sentence: [{ text: "No node was heard." }] });
        return contract.NodesView.parse(nodes);
      }
      case "node": {
        const devAddr = (key ?? "").split("/")[0] ?? "";
        const name = names.has(devAddr) ? (names.get(devAddr) ?? null) : undefined;
        return contract.NodePage.parse(
          orchard.nodePage(devAddr, span, mood.points, name, owned.get(devAddr) ?? null),
        );
      }
      case "bench": {
        const [eui = "", ...plan] = (key ?? "").split("/");
        const expected = plan.length === 0 ? null : plan.join("/");
        const bench = mood.empty
          ? null
          : orchardBench.benchView(eui, span, names.get(eui) ?? null, mood.reference, expected);
        return bench === null
          ? null
          : contract.BenchView.parse({ ...bench, ...(mood.benchRecords.get(eui) ?? {}) });
      }
      case "air": {
        const air = orchard.airView(span);
        if (mood.empty)
          Object.assign(air, {
            channels: [],
            maps: [],
            dataRates: [],
            talkers: [],
            sentence: [{ text: "Nothing was heard on the air." }],
          });
        return contract.AirView.parse(air);
      }
      case "trials": {
        const { window } = orchard.siteView(span);
        const trials = trialsView(window, mood.trialEnough);
        if (mood.empty)
          Object.assign(trials, {
            placements: [],
            sides: [],
            trials: [],
            answer: null,
            sentence: [{ text: "Nothing was heard in this window, so there is nothing to compare." }],
          });
        return contract.TrialsView.parse(trials);
      }
      case "feed":
        return contract.FeedView.parse({
          receptions: mood.empty ? [] : orchard.receptionPage("01A2B3C9", span, null, 20).receptions,
        });
      case "gaps": {
        gapsSpan = span;
        const gaps = gapsView(span);
        const none = { gaps: 0, open: 0, nodes: 0, missedCounters: 0, byCause: {} };
        if (mood.empty)
          Object.assign(gaps, {
            episodes: [],
            gaps: [],
            counts: { ...none, own: none },
            sentence: [{ text: "No frame is known to be missing." }],
          });
        return contract.GapsView.parse(gaps);
      }
      case "marks": {
        const view = orchard.marksView(span);
        return contract.MarksView.parse({ ...view, marks: mood.empty ? [] : (mood.marks ?? view.marks) });
      }
      case "exports":
        return contract.ExportsView.parse({ exports: mood.exports });
      case "captures": {
        const captures = orchard.capturesView(Date.now());
        return contract.CapturesView.parse(mood.empty ? { ...captures, captures: [] } : captures);
      }
      default:
        return null;
    }
  };

  const takeKeys = (file: string): contract.KeysTaken => {
    const { nodes } = JSON.parse(file) as { nodes: Record<string, string>[] };
    const rows = nodes.map((node) => ({
      id: node.devAddr ?? node.devEui ?? "",
      devAddr: node.devAddr ?? null,
      devEui: node.devEui ?? null,
      held: Object.keys(node).filter((name) => name.endsWith("Key")),
      counterBits: null,
      origin: "person" as const,
      note: node.note ?? null,
    }));
    mood.keys = [...mood.keys, ...rows];
    return { taken: rows.length };
  };

  const send = (response: ServerResponse, code: number, value: unknown) => {
    response.writeHead(code, { "content-type": "application/json" });
    response.end(JSON.stringify(value));
  };

  const api = async (request: IncomingMessage, response: ServerResponse, url: URL): Promise<void> => {
    const path = url.pathname;
    asked.push(`${request.method} ${path}${url.search}`);
    if (mood.silent.some((start) => path.startsWith(start))) return undefined;
    const failing = Object.entries(mood.fail).find(([start]) => path.startsWith(start))?.[1];
    if (failing !== undefined) return send(response, failing.status, failing.body);
    const body = await readBody(request);
    if (request.method !== "GET") {
      received.push({ path: `${path}${url.search}`, body: body.toString("utf8"), size: body.length });
      const label = /^\/api\/labels\/(node|gateway)\/(.+)$/.exec(path);
      if (label !== null) {
        const change = contract.LabelChange.parse(JSON.parse(body.toString("utf8")));
        if (change.own !== undefined) owned.set(decodeURIComponent(label[2] ?? ""), change.own);
        if (change.name !== undefined) names.set(decodeURIComponent(label[2] ?? ""), change.name);
      }
      if (path === "/api/bench-reference") {
        mood.reference =
          request.method === "DELETE"
            ? null
            : {
                ...contract.BenchReferenceChange.parse(JSON.parse(body.toString("utf8"))),
                name: "Water tower",
              };
      }
      if (path === "/api/site/name")
        siteName = contract.SiteNaming.parse(JSON.parse(body.toString("utf8"))).name;
      const noted = /^\/api\/bench\/([^/]+)\/record$/.exec(path);
      if (noted !== null) {
        const { serial, signedOff } = contract.BenchRecordChange.parse(JSON.parse(body.toString("utf8")));
        const before = mood.benchRecords.get(noted[1] ?? "") ?? { serial: null, signedOff: null };
        mood.benchRecords.set(noted[1] ?? "", {
          serial: serial === undefined ? before.serial : serial,
          signedOff:
            signedOff === undefined
              ? before.signedOff
              : signedOff === "now"
                ? "2026-04-14T10:00:00.000Z"
                : signedOff,
        });
      }
      const mark = /^\/api\/marks(?:\/(\d+))?$/.exec(path);
      if (mark !== null) {
        const before = mood.marks ?? orchard.marksView(spanOf(url)).marks;
        mood.marks = markedAnew(before, request.method ?? "", Number(mark[1] ?? 0), body.toString("utf8"));
        return send(response, 200, { id: 9 });
      }
      if (path === "/api/downlink-test") {
        contract.DownlinkTestRequest.parse(JSON.parse(body.toString("utf8")));
        return send(response, 200, checked(contract.DownlinkTestAnswer, testAnswer(Date.now())));
      }
      if (path === "/api/keys") {
        const { file } = contract.KeysUpload.parse(JSON.parse(body.toString("utf8")));
        return send(response, 200, takeKeys(file));
      }
      if (request.method === "DELETE" && path.startsWith("/api/keys/")) {
        const id = decodeURIComponent(path.slice("/api/keys/".length));
        mood.keys = mood.keys.filter((row) => row.id !== id);
      }
      return send(response, 200, { ok: true });
    }
    const span = spanOf(url);
    const node = /^\/api\/nodes\/([^/]+)\/(\d+)$/.exec(path);
    const gap = /^\/api\/gaps\/(.+)$/.exec(path);
    const frame = /^\/api\/frames\/(\d+)$/.exec(path);
    if (node !== null) return send(response, 200, view("node", span, `${node[1]}/${node[2]}`));
    if (gap !== null) {
      const page = gapPage(decodeURIComponent(gap[1] ?? ""), gapsSpan);
      if (page !== null) return send(response, 200, checked(contract.GapPage, page));
    }
    if (path === "/api/bench") {
      const rows = orchardBench.EUIS.map((eui) =>
        benchRow(contract.BenchView.parse(view("bench", span, eui))),
      );
      const { window } = orchard.siteView(span);
      return send(
        response,
        200,
        checked(contract.BenchTable, { window, gateways: mood.empty ? [] : rows, gone: 1, leftOut: 0 }),
      );
    }
    const bench = /^\/api\/bench\/([^/]+)$/.exec(path);
    if (bench !== null) {
      const expect = url.searchParams.get("expect");
      const said = view("bench", span, expect === null ? (bench[1] ?? "") : `${bench[1]}/${expect}`);
      const none = {
        code: "no-such-gateway",
        sentence: "No gateway with this identifier was heard.",
        remedy: "",
      };
      return said === null ? send(response, 404, none) : send(response, 200, said);
    }
    if (path === "/api/strangers")
      return send(response, 200, checked(contract.StrangersView, strangersView(span)));
    if (path === "/api/capacity") {
      const share = Number(url.searchParams.get("share") ?? 0.95);
      return send(response, 200, checked(contract.CapacityView, orchardCapacity.capacityView(span, share)));
    }
    const cost = /^\/api\/nodes\/([^/]+)\/cost$/.exec(path);
    if (cost !== null) {
      const asked = contract.PowerQuery.parse(Object.fromEntries(url.searchParams));
      const said = orchardCapacity.nodeCostView(cost[1] ?? "", asked, span);
      return send(response, 200, checked(contract.NodeCostView, said));
    }
    const effect = /^\/api\/marks\/(\d+)\/effect$/.exec(path);
    if (effect !== null) {
      const { marks, window } = orchard.marksView(span);
      const mark = marks.find(({ id }) => id === Number(effect[1]));
      if (mark !== undefined)
        return send(response, 200, checked(contract.MarkEffect, markEffect(window, mark)));
    }
    const receiver = /^\/api\/gateways\/([^/]+)\/receiver$/.exec(path);
    if (receiver !== null) {
      const said = orchardBench.receiverView(receiver[1] ?? "", span);
      if (said !== null) return send(response, 200, checked(contract.ReceiverView, said));
    }
    if (path.startsWith("/api/walk/"))
      return send(
        response,
        200,
        checked(contract.WalkView, { ...walkView(span), ...(mood.empty ? { stops: [] } : {}) }),
      );
    if (frame !== null)
      return send(response, 200, checked(contract.FrameView, orchard.frameView(Number(frame[1]), span)));
    if (path === "/api/keys")
      return send(response, 200, checked(contract.KeysView, { keys: mood.empty ? [] : [...mood.keys] }));
    if (path === "/api/downlink-test") {
      const plan = testPlan(
        url.searchParams.get("gateway") ?? "",
        mood.transmit
          ? ""
          : "Transmitting is off: start Mastlog with listen --allow-transmit to send a test.",
      );
      return send(response, 200, checked(contract.DownlinkTestPlan, plan));
    }
    if (path === "/api/phone-link")
      return send(response, 200, {
        url: "http://192.0.2.20:8470/?token=orchard-token-of-32-characters-0",
        text: "Scan it with a phone on the same network.",
      } satisfies contract.PhoneLink);
    if (path === "/api/downlinks")
      return send(response, 200, checked(contract.DownlinksView, downlinksView(span.toMs)));
    if (path === "/api/plan") return send(response, 200, checked(contract.PlanView, planViewOf(span)));
    if (path === "/api/refusals")
      return send(response, 200, mood.empty ? { refusals: [], samples: [] } : orchard.refusals(Date.now()));
    if (path === "/api/receptions") {
      const page = orchard.receptionPage(
        url.searchParams.get("devAddr") ?? orchard.PLANS[0]?.devAddr ?? "",
        span,
        url.searchParams.get("before"),
        Number(url.searchParams.get("limit") ?? 50),
      );
      return send(response, 200, checked(contract.ReceptionPage, page));
    }
    const answer = view(path.slice("/api/".length), span, null);
    if (answer === null)
      return send(response, 404, {
        code: "no-such-path",
        sentence: "There is no such path.",
        remedy: "See /api/openapi.json.",
      });
    return send(response, 200, answer);
  };

  const server = createServer((request, response) => {
    response.setHeader("content-security-policy", POLICY);
    const url = new URL(request.url ?? "/", "http://fake");
    const work = url.pathname.startsWith("/api/")
      ? api(request, response, url)
      : serveFile(folder, url.pathname, response);
    work.catch((error: unknown) => {
      // Shown in the test's log: an answer that does not fit the contract is the test's own fault.
      console.error(error);
      send(response, 500, { code: "fake", sentence: String(error), remedy: "Mend the test." });
    });
  });
  const live = new WebSocketServer({ noServer: true });
  server.on("connection", (socket) => {
    sockets.add(socket);
    socket.on("close", () => sockets.delete(socket));
  });
  server.on("upgrade", (request, socket, head) => {
    if (!mood.line || request.url !== "/live") {
      socket.destroy();
      return;
    }
    live.handleUpgrade(request, socket, head, (opened) => {
      opened.on("close", () => {
        for (const one of subscriptions) if (one.socket === opened) subscriptions.delete(one);
      });
      opened.on("message", (data) => {
        const message = contract.ClientMessage.parse(JSON.parse(String(data)));
        heard.push(message);
        if (message.type === "subscribe") {
          const made = {
            socket: opened,
            id: message.id,
            topic: message.topic,
            last: message.last,
            key: message.key ?? null,
            seq: 0,
          };
          subscriptions.add(made);
          snapshot(made);
        } else {
          const one = [...subscriptions].find(
            (candidate) => candidate.socket === opened && candidate.id === message.id,
          );
          if (one !== undefined && message.type === "resync") snapshot(one);
          if (one !== undefined && message.type === "unsubscribe") subscriptions.delete(one);
        }
      });
    });
  });
  const snapshot = (one: Subscription) => {
    one.seq += 1;
    if (mood.silent.includes(`live:${one.topic}`)) return;
    const toMs = Date.now();
    const message = {
      type: "snapshot",
      id: one.id,
      seq: one.seq,
      view: view(one.topic, { fromMs: toMs - one.last * 1000, toMs, live: true }, one.key),
    };
    one.socket.send(JSON.stringify(message));
  };

  await new Promise<void>((resolve) => server.listen(0, "127.0.0.1", resolve));
  const { port } = server.address() as AddressInfo;
  return {
    url: `http://127.0.0.1:${port}`,
    asked,
    received,
    heard,
    mood,
    cutLine() {
      mood.line = false;
      for (const client of live.clients) client.terminate();
    },
    push(topic, message, skip = 0) {
      for (const one of subscriptions) {
        if (one.topic !== topic) continue;
        one.seq += 1 + skip;
        one.socket.send(JSON.stringify({ type: "delta", id: one.id, seq: one.seq, set: {}, ...message }));
      }
    },
    close: async () => {
      for (const client of live.clients) client.terminate();
      for (const socket of sockets) socket.destroy();
      await new Promise<void>((resolve) => server.close(() => resolve()));
    },
  };
}

/** The marks after a request for a change. */
function markedAnew(
  before: readonly contract.MarkRow[],
  method: string,
  id: number,
  body: string,
): contract.MarkRow[] {
  if (method === "DELETE") return before.filter((mark) => mark.id !== id);
  if (method === "PUT") {
    const { at, ...change } = contract.MarkChange.parse(JSON.parse(body));
    const said = Object.fromEntries(Object.entries(change).filter(([, value]) => value !== undefined));
    return before.map((mark) => (mark.id === id ? { ...mark, ...said, at: at ?? mark.at } : mark));
  }
  const { at, ...asked } = contract.MarkRequest.parse(JSON.parse(body));
  const row = { ...asked, at: at ?? new Date().toISOString(), id: 9, gatewayName: null, nodeName: null };
  return [row, ...before];
}

function checked<T>(schema: z.ZodType<T>, value: T): T {
  return schema.parse(value);
}

function spanOf(url: URL): orchard.Span {
  const asked = contract.WindowQuery.parse(
    Object.fromEntries([...url.searchParams].filter(([key]) => ["from", "to", "last"].includes(key))),
  );
  const toMs = asked.to === undefined ? Date.now() : Date.parse(asked.to);
  const fromMs = asked.from === undefined ? toMs - (asked.last ?? 3600) * 1000 : Date.parse(asked.from);
  return { fromMs, toMs, live: asked.last !== undefined };
}

async function readBody(request: IncomingMessage): Promise<Buffer> {
  const parts: Buffer[] = [];
  for await (const part of request) parts.push(part as Buffer);
  return Buffer.concat(parts);
}

async function serveFile(folder: string, path: string, response: ServerResponse): Promise<void> {
  const name = path === "/" ? "/index.html" : path;
  // Only plain names of the build: nothing that climbs out of its folder.
  const safe = /^\/[\w.-]+(\/[\w.-]+)*$/.test(name) && !name.includes("..");
  const bytes = safe ? await readFile(join(folder, name)).catch(() => null) : null;
  if (bytes === null) {
    response.writeHead(404);
    response.end();
    return;
  }
  response.writeHead(200, {
    "content-type": TYPES[extname(name)] ?? "application/octet-stream",
    // Named by their content: the browser need not fetch and compile them at every load.
    ...(name.startsWith("/assets/") ? { "cache-control": "max-age=31536000, immutable" } : {}),
  });
  response.end(bytes);
}
