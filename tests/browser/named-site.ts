/**
 * A real store in which everything has a name: the sample morning, its gateways, nodes, sites, placements, marks and
 * walk-test stops named as `nameOf` says. What pages have to bear, and where they are.
 */
import { join } from "node:path";
import type { Page } from "playwright-core";
import { runProgram } from "../process/program.ts";
import { type Service, startService } from "../process/service.ts";
import { leavePage } from "./dashboard.ts";

const SAMPLE = new URL("../../sample-captures/orchard-morning.pcap.gz", import.meta.url).pathname;
export const SHED = "02005E1000000001";
export const TOWER = "02005E1000000002";
/** The window of the sample, as the address bar takes it. */
const MORNING = "from=2026-04-14T04:00:00.000Z&to=2026-04-14T10:00:00.000Z";

export interface NamedSite {
  readonly service: Service;
  /** Every view's place, each with what stands there once it is drawn. */
  readonly places: readonly string[];
}

/** Eighty letters without a place to break at, which begin with what is named. */
export function eightyLetters(word: string): string {
  return word.padEnd(80, "abcdefghijklmnopqrstuvwxyz");
}

/** Reads the sample into a store of its own, starts the service on it, and names everything over HTTP. */
export async function startNamedSite(
  folder: string,
  nameOf: (word: string) => string = (word) => word,
): Promise<NamedSite> {
  const db = join(folder, "named.db");
  const read = await runProgram(["import", SAMPLE, "--db", db], folder);
  if (read.status !== 0) throw new Error(`The sample was not read: ${read.err}`);
  const service = await startService({ db });
  const send = async (method: string, path: string, body: object): Promise<unknown> => {
    const answer = await fetch(`http://127.0.0.1:${service.webPort}${path}`, {
      method,
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
    });
    const text = await answer.text();
    if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${text}`);
    return text === "" ? null : JSON.parse(text);
  };
  const label = (kind: "gateway" | "node", id: string, change: object) =>
    send("PUT", `/api/labels/${kind}/${id}`, change);

  await send("PUT", "/api/site/name", { name: nameOf("Orchard") });
  await label("gateway", SHED, { name: nameOf("Shed"), site: nameOf("Homefield") });
  await label("gateway", TOWER, { name: nameOf("Tower"), site: nameOf("Hillside") });
  const { nodes } = await service.json<{ nodes: { devAddr: string }[] }>(`/api/nodes?${MORNING}`);
  for (const [at, { devAddr }] of nodes.entries())
    await label("node", devAddr, { name: nameOf(`Probe ${at + 1}`) });
  for (const [gatewayEui, name] of [
    [SHED, "Gable"],
    [TOWER, "Mast"],
  ] as const)
    await send("POST", "/api/placements", {
      gatewayEui,
      // A place may have 60 letters, everything else 80.
      name: nameOf(name).slice(0, 60),
      from: "2026-04-14T04:00:00.000Z",
      note: nameOf("note"),
    });
  const { id: mark } = (await send("POST", "/api/marks", {
    at: "2026-04-14T07:00:00.000Z",
    text: nameOf("Hedge"),
    gatewayEui: SHED,
  })) as { id: number };
  const walked = nodes[0]?.devAddr ?? "";
  await send("POST", "/api/marks", {
    at: "2026-04-14T07:30:00.000Z",
    text: nameOf("Gate"),
    devAddr: walked,
    kind: "stop",
    position: { eastMetres: 120, northMetres: 80 },
  });
  for (const [id, eastM] of [
    [`gateway/${SHED}`, 0],
    [`gateway/${TOWER}`, 400],
    [`node/${walked}`, 150],
  ] as const)
    await send("PUT", `/api/positions/${id}`, { eastM, northM: 40 });

  const { gaps } = await service.json<{ gaps: { id: string }[] }>(`/api/gaps?${MORNING}`);
  const { trials } = await service.json<{ trials: { a: string; b: string }[] }>(`/api/trials?${MORNING}`);
  const gap = gaps[0];
  const pair = trials[0];
  if (gap === undefined || pair === undefined)
    throw new Error("The sample has no gap or nothing to compare.");
  const places = [
    "/site",
    "/bench",
    `/bench/${SHED}`,
    "/nodes",
    `/nodes/${walked}/1`,
    "/nodes/01F2A117/1",
    "/air",
    "/gaps",
    `/gaps?gap=${gap.id}`,
    "/trials",
    `/trials?a=${pair.a}&b=${pair.b}`,
    `/trials?mark=${mark}`,
    "/plan",
    `/walk/${walked}`,
    "/captures",
    "/service",
    "/nowhere",
  ].map((path) => `#${path}${path.includes("?") ? "&" : "?"}${MORNING}`);
  return { service, places };
}

/** Goes to a place and waits until its answers have come; then every fold is opened. */
export async function openWhole(page: Page, service: Service, place: string): Promise<void> {
  await leavePage(page, service);
  await page.goto(`http://127.0.0.1:${service.webPort}/${place}`);
  await page.locator("main h1").first().waitFor();
  // Parts of a page ask for themselves once they are drawn.
  const settled = () =>
    page.waitForFunction(() => document.querySelector(".skeleton, [aria-busy=true]") === null);
  await settled();
  await page.evaluate(async () => {
    const drawn = async () => {
      for (let frame = 0; frame < 3; frame += 1) await new Promise(requestAnimationFrame);
    };
    await drawn();
    for (const fold of document.querySelectorAll("details")) fold.open = true;
    await drawn();
  });
  await settled();
}
