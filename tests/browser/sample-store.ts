/**
 * Which store do the browser tests look at? The sample captures and an hour of a site that a network answers, read
 * once a run by the program itself, named as the samples are named, with what people noted of them. Every file of
 * tests gets a copy, so that what one changes no other sees.
 */
import { copyFileSync, mkdtempSync, readFileSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type NodeKeys, nodeKeys } from "../../src/simulate/frame-octets.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openStore } from "../../src/store/open.ts";
import { type UserChange, writeUserChange } from "../../src/store/user-changes.ts";
import { NO_POSITION } from "../../src/store/user-data.ts";
import { runProgram } from "../process/program.ts";

const SAMPLES = new URL("../../sample-captures/", import.meta.url).pathname;

/** The window of orchard-morning.pcap.gz, as the address bar takes it. */
export const MORNING = "from=2026-04-14T04:00:00.000Z&to=2026-04-14T10:00:00.000Z";
export const SHED = "02005E1000000001";
export const TOWER = "02005E1000000002";
/** Of orchard-bench.pcap: five days before the morning. */
export const BENCH = "02005E1000000003";
/** Of orchard-two-antennas.pcap.gz. */
export const ANTENNAS_TIME = "from=2026-04-21T12:00:00.000Z&to=2026-04-21T14:00:00.000Z";
export const ANTENNAS = "02005E1000000004";
/** Of the site that a network answers. */
export const ANSWERED_TIME = "from=2026-05-05T08:00:00.000Z&to=2026-05-05T09:00:00.000Z";
export const ANSWERED = "02005E1000000005";

/** Of the site of weak nodes. */
export const WEAK_TIME = "from=2026-05-12T08:00:00.000Z&to=2026-05-12T09:30:00.000Z";
export const WEAK = "02005E1000000006";
const BESIDE = "02005E1000000007";

/** The one whose session keys are available: its link fades, it reports its battery, it is told to go from SF8 to SF10. */
export const KEYED = "01F2A117";
/** The device whose root key is at hand: it joins as 01F2AA02, and again as 01F2AA0F. */
export const LOCK_EUI = "02005E10000000A2";
export const TRACKER = "01F2A501";
export const PUMP = "01F2A401";
/** The text of the mark at 07:00 UTC of the morning. */
export const HEDGE = "Cut the hedge by row 12";

/** The way to the network is so long that some answers come too late. */
const answeredSite = {
  title: "An hour with a network that answers",
  site: "Fennick Orchard",
  start: "2026-05-05T08:00:00Z",
  duration: "1:00:00",
  seed: 5,
  region: "EU868",
  network: { latencyMs: 200, jitterMs: 120 },
  server: { adr: { afterFrames: 10, marginDb: 10 } },
  gateways: [{ eui: ANSWERED, name: "Cold store roof", address: "198.51.100.50" }],
  nodes: [
    ["Pump house valve", "01F2AA01", 60, 9, true, -115],
    ["Gate lock", "01F2AA02", 90, 8, true, -110],
    ["Roof probe", "01F2AA03", 40, 10, false, -120],
  ].map(([name, devAddr, rhythmSeconds, spreadingFactor, confirmed, gainDb]) => ({
    ...{ name, devAddr, rhythmSeconds, spreadingFactor, confirmed },
    ...(name === "Gate lock" ? { activation: "otaa", devEui: LOCK_EUI } : {}),
    pathGainDb: { [ANSWERED]: gainDb },
  })),
  events: [{ event: "node-rejoin", node: "Gate lock", at: "0:40:00", devAddr: "01F2AA0F" }],
};

/** Of sample-captures/fennick-orchard-day.json. */
const MORNING_SEED = 11;

/** The keys that the simulator gave a node, as `simulate --truth` says them too. */
function keysOf(name: string, seed: number): Record<keyof NodeKeys, string> {
  const keys = nodeKeys(createRandom(seed).fork(`node ${name}`));
  const hex = (octets: Uint8Array) => Buffer.from(octets).toString("hex").toUpperCase();
  return { nwkSKey: hex(keys.nwkSKey), appSKey: hex(keys.appSKey), appKey: hex(keys.appKey) };
}

/** Nodes at the edge of one gateway, so that it shows down to which SNR it demodulates; another beside it hears all. */
const weakSite = {
  title: "Weak nodes that send much",
  site: "Fennick Orchard",
  start: "2026-05-12T08:00:00Z",
  duration: "1:30:00",
  seed: 9,
  region: "EU868",
  gateways: [
    { eui: WEAK, name: "Barn", keepaliveSeconds: 60, statSeconds: 600, address: "198.51.100.60" },
    { eui: BESIDE, name: "Barn roof", keepaliveSeconds: 60, statSeconds: 600, address: "198.51.100.61" },
  ],
  // Noise of −117 dBm at a noise figure of 6 dB; the floor of SF9 lies 12.5 dB below it: margins of −0.5 to 6 dB.
  nodes: [-0.5, 0.5, 1.5, 2.5, 4, 6].map((marginDb, at) => ({
    name: `Far probe ${at + 1}`,
    devAddr: `01F2AC0${at + 1}`,
    // 267 ms each: more than the 1 % that the sub-band allows.
    rhythmSeconds: 20,
    payloadBytes: 24,
    spreadingFactor: 9,
    pathGainDb: { [WEAK]: -143.5 + marginDb, [BESIDE]: -125 },
  })),
};

let made: Promise<string> | null = null;

/** A copy of the store in a folder; its path. */
export async function sampleStore(folder: string): Promise<string> {
  made ??= makeStore();
  const db = join(folder, "samples.db");
  copyFileSync(await made, db);
  return db;
}

async function makeStore(): Promise<string> {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-samples-"));
  const db = join(folder, "samples.db");
  const run = async (...words: string[]) => {
    const { status, err } = await runProgram(words, folder);
    if (status !== 0) throw new Error(`${words.join(" ")}: ${status} ${err}`);
  };
  // Before the captures: what keys change of frames that are stored already is worked out behind the traffic.
  const store = openStore(db);
  for (const change of whatPeopleNoted()) {
    const outcome = writeUserChange(store, change);
    if (!outcome.ok) throw new Error(`${change.entity}: ${JSON.stringify(outcome)}`);
  }
  store.close();
  for (const [name, site] of Object.entries({ answered: answeredSite, weak: weakSite })) {
    writeFileSync(join(folder, `${name}.json`), JSON.stringify(site));
    await run("simulate", `${name}.json`, "--pcap", `${name}.pcap`);
  }
  const captures = ["orchard-morning.pcap.gz", "orchard-bench.pcap", "orchard-two-antennas.pcap.gz"];
  await run(
    "import",
    ...captures.map((name) => join(SAMPLES, name)),
    "answered.pcap",
    "weak.pcap",
    "--db",
    db,
  );
  return db;
}

function* whatPeopleNoted(): Generator<UserChange> {
  yield { entity: "site-name", name: "Fennick Orchard" };
  const samples = JSON.parse(readFileSync(join(SAMPLES, "index.json"), "utf8")) as {
    names: Record<"gateways" | "nodes", Record<string, string>>;
  }[];
  for (const { names } of samples) {
    for (const [id, name] of Object.entries(names.gateways))
      yield { entity: "label", change: { kind: "gateway", id, name } };
    for (const [id, name] of Object.entries(names.nodes))
      yield { entity: "label", change: { kind: "node", id, name } };
  }
  yield { entity: "label", change: { kind: "gateway", id: ANSWERED, name: "Cold store roof" } };
  const { nwkSKey, appSKey } = keysOf("Frost probe row 17", MORNING_SEED);
  const { appKey } = keysOf("Gate lock", answeredSite.seed);
  const nodes = [
    { devAddr: KEYED, nwkSKey, appSKey, note: "row 17" },
    { devEui: LOCK_EUI, appKey },
  ];
  const fileText = JSON.stringify({ nodes });
  yield { entity: "keys", work: { kind: "add", fileText } };
  const atUs = (time: string) => Date.parse(`2026-04-14T${time}:00Z`) * 1000;
  const note = { untilUs: null, gatewayEui: null, devAddr: null, kind: "note" as const, ...NO_POSITION };
  yield { entity: "mark", work: { kind: "add", mark: { ...note, atUs: atUs("07:00"), text: HEDGE } } };
  for (const [time, text, eastMetres, northMetres] of [
    ["04:10", "Gate", 0, -60],
    ["06:20", "Row 24", 210, 95],
    ["07:50", "Cold store 1", 40, 12],
    ["09:40", "Pond", null, null],
  ] as const)
    yield {
      entity: "mark",
      work: {
        kind: "add",
        mark: {
          ...note,
          ...{ atUs: atUs(time), text, eastMetres, northMetres },
          devAddr: KEYED,
          kind: "stop",
        },
      },
    };
  const level = { latitudeDeg: null, longitudeDeg: null, heightM: null, eirpDbm: null, antennaGainDbi: null };
  for (const [kind, id, eastM, northM] of [
    ["gateway", SHED, 0, 0],
    ["gateway", TOWER, 400, 300],
    ["node", KEYED, 150, 40],
  ] as const)
    yield { entity: "position", request: { kind, id, position: { ...level, eastM, northM } } };
  const mount = { heightM: null, antennaGainDbi: null, cableLossDb: null, direction: null, note: null };
  for (const [antenna, name] of ["Tower mast", "North parapet"].entries())
    yield {
      entity: "placement",
      work: {
        kind: "add",
        placement: {
          ...mount,
          ...{ name, gatewayEui: ANTENNAS, antenna, heightM: 17.5, antennaGainDbi: antenna === 0 ? 6 : 2.5 },
          fromUs: Date.parse("2026-04-21T12:00:00Z") * 1000,
        },
      },
    };
}
