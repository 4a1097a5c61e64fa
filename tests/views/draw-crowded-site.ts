/**
 * Sites that grow, drawn wide by seed: nodes of several data rates, rhythms and levels about one or two gateways, rules of
 * capture and demodulators as they are found, strangers. Grown by copies of its own nodes; changed by one data rate.
 */
import { below, createRandom, type Random } from "../../src/simulate/time-and-chance.ts";

export const TOWER = "02005E1000000001";
const BARN = "02005E1000000002";
const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000];
const FLOOR_DB: Readonly<Record<number, number>> = { 7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20 };
const NOISE_DBM = -174 + 10 * Math.log10(125_000) + 6;

const range = (random: Random, from: number, to: number) => from + (to - from) * random.uniform();

type Nodes = ReturnType<typeof drawNodes>;

function drawNodes(random: Random, count: number, address: number, gateways: readonly string[]) {
  const rhythm = range(random, 60, 200);
  return Array.from({ length: count }, (_, i) => {
    const spreadingFactor = 7 + below(random, 4);
    // Above the knee, so that what is lost is lost to others.
    const levelDbm = NOISE_DBM + (FLOOR_DB[spreadingFactor] ?? 0) + range(random, 4, 35);
    return {
      name: `Node ${address.toString(16)}.${i + 1}`,
      devAddr: (address + i).toString(16).toUpperCase().padStart(8, "0"),
      rhythmSeconds: rhythm * range(random, 0.6, 1.6),
      jitterShare: range(random, 0.02, 0.3),
      schedule: random.uniform() < 0.5 ? "random" : "interval",
      payloadBytes: 8 + below(random, 30),
      spreadingFactor,
      pathGainDb: Object.fromEntries(
        gateways.map((eui, g) => [eui, levelDbm - 14 - (g === 0 ? 0 : range(random, 0, 20))]),
      ),
      fastFadingDb: range(random, 0.5, 2.5),
      slowFadingDb: range(random, 0.3, 2),
    };
  });
}

/** In the form of a scenario file. */
export function drawCrowdedSite(seed: number) {
  const random = createRandom(seed, "crowded");
  const gateways = random.uniform() < 0.7 ? [TOWER] : [TOWER, BARN];
  const nodes = drawNodes(random, 15 + below(random, 20), 0x01f2_4000, gateways);
  const isTimed = random.uniform() < 0.4;
  const hardware = random.uniform() < 0.5 ? "sx1301" : "sx1302";
  return {
    title: `crowded, seed ${seed}`,
    site: "drawn",
    start: "2026-04-14T04:00:00Z",
    duration: 3 * 3600,
    seed,
    channelsHz: CHANNELS_HZ.slice(0, 1 + below(random, 3)),
    physics: {
      captureDb: range(random, 1, 6),
      capture: isTimed ? "timed" : "power",
    },
    gateways: gateways.map((eui, i) => ({
      eui,
      name: ["Tower", "Barn"][i],
      hardware,
      keepaliveSeconds: 60,
      statSeconds: 600,
    })),
    nodes,
    strangers: random.uniform() < 0.4 ? drawNodes(random, 5, 0x2600_1000, gateways) : [],
  };
}

/**
 * The same sites with a way back: some nodes send each frame two or three times, some ask for acknowledgements, and a
 * network server answers, so that the gateways transmit and are deaf meanwhile.
 */
export function drawAnsweredSite(seed: number): Site {
  const random = createRandom(seed, "answered");
  const site = drawCrowdedSite(seed);
  return {
    ...site,
    title: `answered, seed ${seed}`,
    server: { window: random.uniform() < 0.5 ? "rx1" : "rx2" },
    gateways: site.gateways.map((gateway) => ({ ...gateway, keepaliveSeconds: 10 })),
    nodes: site.nodes.map((node) => ({
      ...node,
      transmissions: random.uniform() < 0.3 ? 2 + below(random, 2) : 1,
      confirmed: random.uniform() < 0.3,
    })),
  };
}

type Site = ReturnType<typeof drawCrowdedSite> & { readonly server?: object };

/** So many more nodes, each like one of those there are. */
export function grown(site: Site, more: number, seed: number): Site {
  const random = createRandom(seed, "growth");
  const copies: Nodes = [];
  for (let i = 0; i < more; i++) {
    const like = site.nodes[below(random, site.nodes.length)];
    if (like === undefined) break;
    copies.push({
      ...like,
      name: `Copy ${i + 1}`,
      devAddr: (0x01f3_0000 + i).toString(16).toUpperCase().padStart(8, "0"),
    });
  }
  return { ...site, nodes: [...site.nodes, ...copies] };
}

/** One node at another data rate. */
export function changedTo(site: Site, devAddr: string, spreadingFactor: number): Site {
  return {
    ...site,
    nodes: site.nodes.map((node) => (node.devAddr === devAddr ? { ...node, spreadingFactor } : node)),
  };
}
