/** Do the three ways in (live, in line, a capture read later) give one and the same trial? */
import { join } from "node:path";
import { afterEach, expect, it } from "vitest";
import type { TrialAnswer } from "../../src/contract/trials.ts";
import { openStore } from "../../src/store/open.ts";
import { writeUserChange } from "../../src/store/user-changes.ts";
import { networkServer } from "./network-server.ts";
import { cleanUp, runProgram, temporaryFolder } from "./program.ts";
import { startRelay } from "./relay.ts";
import { twoMasts } from "./scenarios.ts";
import { type Service, startService, until } from "./service.ts";

afterEach(cleanUp);

const STORES = ["live.db", "in-line.db", "capture.db"] as const;
const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";

async function run(
  words: readonly string[],
  folder: string,
  allowed: readonly number[] = [0],
): Promise<string> {
  const { status, out, err } = await runProgram(words, folder);
  expect({ words: words[0], allowed: allowed.includes(status ?? -1), err }).toEqual({
    words: words[0],
    allowed: true,
    err: "",
  });
  return out;
}

/** Enters where a gateway stands, as `placements add` does. */
function place(db: string, name: string, gatewayEui: string, fromUs: number, antennaGainDbi: number): void {
  const unknown = { antenna: null, heightM: null, cableLossDb: null, direction: null, note: null };
  const placement = { ...unknown, name, gatewayEui, fromUs, antennaGainDbi };
  const store = openStore(db);
  const outcome = writeUserChange(store, { entity: "placement", work: { kind: "add", placement } });
  store.close();
  expect(outcome.ok).toBe(true);
}

/** Waits until a service has stored as much as was sent to it, and ends it. */
async function finish(service: Service, datagrams: number): Promise<void> {
  await until(
    () => service.json<{ arrived: { datagrams: number } }>("/api/status"),
    ({ arrived }) => arrived.datagrams >= datagrams,
  );
  expect((await service.end("SIGTERM")).status).toBe(0);
}

/** The middle of the longest silence in the middle third: a moment that no way dates a datagram across. */
function quietMomentUs(atUs: readonly number[]): number {
  const middle = atUs.slice(Math.floor(atUs.length / 3), Math.ceil((2 * atUs.length) / 3));
  let best = { fromUs: 0, lengthUs: -1 };
  middle.forEach((toUs, i) => {
    const fromUs = middle[i - 1] ?? toUs;
    if (toUs - fromUs > best.lengthUs) best = { fromUs, lengthUs: toUs - fromUs };
  });
  return best.fromUs + best.lengthUs / 2;
}

/**
 * The whole answer but its window: the three wrote down their own moments of arrival, some milliseconds apart, and the
 * window goes from the first to the last.
 */
async function compared(
  db: string,
  a: string,
  b: string,
  folder: string,
): Promise<Omit<TrialAnswer, "window">> {
  // 1: not enough to say yet, which is an answer too.
  const out = await run(["compare", a, b, "--json", "--db", db], folder, [0, 1]);
  const { window: _, ...answer } = JSON.parse(out) as TrialAnswer;
  return answer;
}

/** Figures may differ so far: an arrival that a busy machine dates later moves an interval's end in the last digits. */
const SLACK = 0.02;

/** Where two answers differ: words, counts and verdicts at all, other figures (in sentences, too) by more than SLACK. */
function differences(one: unknown, other: unknown, at = ""): string[] {
  const told = `${at}: ${JSON.stringify(one)}, ${JSON.stringify(other)}`;
  if (typeof one === "number" && typeof other === "number") {
    if (Number.isInteger(one) && Number.isInteger(other)) return one === other ? [] : [told];
    return Math.abs(one - other) <= SLACK ? [] : [told];
  }
  if (typeof one === "string" && typeof other === "string") {
    const [words, figures] = inParts(one);
    const [otherWords, otherFigures] = inParts(other);
    if (words !== otherWords) return [told];
    // Percent, with one decimal.
    return figures.every((figure, i) => Math.abs(figure - (otherFigures[i] ?? Number.NaN)) <= 100 * SLACK)
      ? []
      : [told];
  }
  if (typeof one !== "object" || one === null || typeof other !== "object" || other === null)
    return one === other ? [] : [told];
  const keys = new Set([...Object.keys(one), ...Object.keys(other)]);
  return [...keys].flatMap((key) => differences((one as Rows)[key], (other as Rows)[key], `${at}/${key}`));
}

type Rows = Readonly<Record<string, unknown>>;

/** A sentence without its decimal figures, and these. */
function inParts(sentence: string): [string, number[]] {
  const decimal = /\d+\.\d+/g;
  return [sentence.replace(decimal, "#"), (sentence.match(decimal) ?? []).map(Number)];
}

it("live, in line and from a capture, one stretch of traffic is one trial", async () => {
  const folder = temporaryFolder();
  const server = await networkServer();
  const [live, inLine] = await Promise.all([
    startService({ db: join(folder, "live.db") }),
    startService({ db: join(folder, "in-line.db"), words: ["--relay", `127.0.0.1:${server.port}`] }),
  ]);
  const tap = await startRelay(inLine.udpPort, [live.udpPort]);
  const scenario = twoMasts(folder);
  await run(["simulate", scenario, "--to", `127.0.0.1:${tap.port}`, "--speed", "40", "--seed", "11"], folder);
  const atUs = tap.upAtUs();
  await Promise.all([finish(live, atUs.length), finish(inLine, atUs.length)]);
  await until(
    () => server.heard.length,
    (heard) => heard === atUs.length,
  );
  tap.writeCapture(join(folder, "capture.pcap"));
  await tap.close();
  await server.close();
  await run(["import", "capture.pcap", "--db", "capture.db"], folder);

  const startUs = (atUs[0] ?? 0) - 60e6;
  const movedUs = Math.round(quietMomentUs(atUs));
  const told = await Promise.all(
    STORES.map(async (db) => {
      place(join(folder, db), "Packing shed", SHED, startUs, 2);
      place(join(folder, db), "Water tower", TOWER, startUs, 3.5);
      const atOnce = await compared(db, "Packing shed", "Water tower", folder);
      place(join(folder, db), "Shed parapet", SHED, movedUs, 2);
      return { atOnce, afterEachOther: await compared(db, "Packing shed", "Shed parapet", folder) };
    }),
  );
  const [live1, inLine1, capture1] = told;
  expect(live1?.atOnce).toMatchObject({ paired: true, verdict: "b", knownGainDifferenceDb: -1.5 });
  expect(live1?.atOnce.delivery.pairs?.onlyB).toBeGreaterThan(10);
  expect(live1?.afterEachOther).toMatchObject({ paired: false, verdict: "not enough" });
  expect(live1?.afterEachOther.delivery.b.expected).toBeGreaterThan(50);
  expect(differences(live1, inLine1)).toEqual([]);
  expect(differences(live1, capture1)).toEqual([]);
  // The traffic takes 18 s and ten programs are started: some five seconds each on a busy machine.
}, 240_000);
