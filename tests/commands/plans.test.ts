import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it, vi } from "vitest";
import { listenCommand } from "../../src/commands/listen.ts";
import { gatewaysCommand } from "../../src/commands/view-commands.ts";
import { GatewaysView, SiteView } from "../../src/contract/index.ts";
import { readOwnPlans } from "../../src/radio/regions/own-plans.ts";
import { storeViews } from "../../src/service/store-views.ts";
import { openReader, openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { phy, push, SHED, START_US } from "../store/traffic.ts";

const MHZ = [863.1, 863.9, 864.7, 865.5];
const PLANS = {
  plans: [
    {
      name: "Orchard test plan",
      channels: MHZ.map((mhz) => ({ frequencyHz: mhz * 1e6 })),
      dataRates: ["SF7BW125", "SF9BW125"],
      mostPayloadBytes: { SF9BW125: 2 },
    },
  ],
};
const AGAINST =
  "SF9BW125 frames of up to 17 octets, more than the 15 that Orchard test plan allows at this data rate.";

let folder = "";
let db = "";
let exitCodeBefore: typeof process.exitCode;
beforeEach(() => {
  exitCodeBefore = process.exitCode;
  folder = mkdtempSync(join(tmpdir(), "mastlog-plans-"));
  db = join(folder, "orchard.db");
  const store = openStore(db);
  const recorder = new Recorder(store);
  for (let i = 0; i < 60; i++) {
    const frequencyHz = (MHZ[i % MHZ.length] ?? 0) * 1e6;
    recorder.record([push(SHED, i * 30, [{ payload: phy("01A2B3C4", i), frequencyHz }])]);
  }
  recorder.close();
  store.close();
});
afterEach(() => {
  vi.unstubAllEnvs();
  process.exitCode = exitCodeBefore;
  rmSync(folder, { recursive: true });
});

function file(content: unknown): string {
  const path = join(folder, "plans.json");
  writeFileSync(path, typeof content === "string" ? content : JSON.stringify(content));
  return path;
}

/** Runs a command as a shell would. */
async function run(command: "gateways" | "listen", ...words: string[]) {
  const said = { out: "", err: "" };
  const catching = (to: "out" | "err") => (text: string | Uint8Array) => {
    said[to] += String(text);
    return true;
  };
  const spies = [
    vi.spyOn(process.stdout, "write").mockImplementation(catching("out")),
    vi.spyOn(process.stderr, "write").mockImplementation(catching("err")),
  ];
  process.exitCode = undefined;
  try {
    const made = command === "gateways" ? gatewaysCommand() : listenCommand("0.0.0");
    await made.parseAsync([...words, "--db", db], { from: "user" });
  } finally {
    for (const spy of spies) spy.mockRestore();
  }
  return { ...said, status: Number(process.exitCode ?? 0) };
}

const regionIn = (out: string) => GatewaysView.parse(JSON.parse(out)).gateways[0]?.region;

describe("mastlog gateways", () => {
  it("judges by the plans of --plans, and tells what contradicts them", async () => {
    const { out, err, status } = await run("gateways", "--json", "--plans", file(PLANS));
    expect([err, status]).toEqual(["", 0]);
    expect(regionIn(out)).toMatchObject({
      name: "Orchard test plan",
      contradictions: [AGAINST],
      reason: "Orchard test plan, from 60 receptions.",
    });
    expect(regionIn((await run("gateways", "--json")).out)?.name).not.toBe("Orchard test plan");
  });

  it("takes the file from MASTLOG_PLANS, and --plans before it", async () => {
    vi.stubEnv("MASTLOG_PLANS", file(PLANS));
    expect(regionIn((await run("gateways", "--json")).out)?.name).toBe("Orchard test plan");
    const { status } = await run("gateways", "--json", "--plans", join(folder, "none.json"));
    expect(status).toBe(2);
  });
});

describe.each(["gateways", "listen"] as const)("mastlog %s", (command) => {
  it("says in one sentence that the plan file cannot be read or used, with exit code 2", async () => {
    const missing = join(folder, "none.json");
    expect(await run(command, "--plans", missing)).toEqual({
      out: "",
      err: `The plan file ${missing} cannot be read (ENOENT).\n`,
      status: 2,
    });
    const odd = file({ plans: [{ ...PLANS.plans[0], colour: "green" }] });
    expect(await run(command, "--plans", odd)).toEqual({
      out: "",
      err: "The plan file cannot be used: plan 1 (Orchard test plan) has the unknown key “colour”.\n",
      status: 2,
    });
    expect((await run(command, "--plans", file("{"))).err).toMatch(/^The plan file is not JSON: [^\n]+\n$/);
    vi.stubEnv("MASTLOG_PLANS", "");
    expect(await run(command)).toEqual({
      out: "",
      err: "--plans and MASTLOG_PLANS take the name of a file.\n",
      status: 2,
    });
  });
});

describe("the service's answers", () => {
  it("follow the plans that it was started with, on both pages that name a plan", () => {
    const reading = readOwnPlans(JSON.stringify(PLANS));
    if (!reading.ok) throw new Error(reading.sentence);
    const reader = openReader(db);
    try {
      const views = storeViews(reader, reading.plans);
      const nowUs = START_US + 1800e6;
      const { gateways } = GatewaysView.parse(views.gateways({ last: 3600 }, nowUs));
      expect(gateways[0]?.region).toMatchObject({ name: "Orchard test plan", contradictions: [AGAINST] });
      expect(SiteView.parse(views.site({ last: 3600 }, nowUs)).gateways).toEqual(gateways);
    } finally {
      reader.close();
    }
  });
});
