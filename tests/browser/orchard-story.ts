/**
 * What has the link of a node been through, whose are its lives, and what do keys say of it? The frost probe of row
 * 12 has keys and a long story; the others have neither.
 */
import type { KeyRow, NodePage } from "../../src/contract/index.ts";

/** The probe whose keys are at hand. */
export const KEYED = "01A2B3C4";
export const KEYED_EUI = "02005E10000000A1";

type Story = Pick<NodePage, "story" | "storyCut" | "keys" | "lives" | "deviceLives">;

interface About {
  readonly devAddr: string;
  readonly fromMs: number;
  readonly toMs: number;
  readonly heard: number;
  readonly expected: number;
}

const iso = (ms: number) => new Date(ms).toISOString();

/** Story, lives and key figures of one node over a window. */
export function storyOf({ devAddr, fromMs, toMs, heard, expected }: About): Story {
  const keyed = devAddr === KEYED;
  const at = (share: number) => iso(fromMs + share * (toMs - fromMs));
  const device = { devEui: KEYED_EUI, proof: "mic" as const };
  const own = keyed ? device : { devEui: null, proof: null };
  return {
    story: keyed
      ? [
          {
            at: at(0.3),
            counter: 1812,
            kind: "data-rate",
            sentence:
              "The data rate went from SF9BW125 to SF10BW125, as the network asked (LinkADRReq heard).",
            certainty: "seen",
            times: 1,
          },
          {
            at: at(0.32),
            counter: 1813,
            kind: "link-adr-answered",
            sentence: "The node accepted every part of a LinkADRReq (assumed 1.0 clear text).",
            certainty: "assumed 1.0 clear text",
            times: 3,
          },
          {
            at: at(0.6),
            counter: 1830,
            kind: "device-status",
            sentence:
              "The node reports a battery at 53\u202F% (about half), and hears the network at \u22124\u202FdB SNR (DevStatusAns).",
            certainty: "proved",
            times: 1,
          },
          ...Array.from({ length: 24 }, (_, index) => ({
            at: at(0.62 + index * 0.01),
            counter: 1831 + index,
            kind: "link-check-asked",
            sentence: "The node asked for a link check.",
            certainty: "seen" as const,
            times: 1,
          })),
        ]
      : [],
    storyCut: keyed,
    keys: keyed
      ? { held: true, proved: 142, invalid: 3, replays: 1 }
      : { held: false, proved: 0, invalid: 0, replays: 0 },
    lives: [
      {
        life: 2,
        begunBy: "first-heard",
        reason: "first heard with counter 0",
        firstHeard: iso(fromMs - 86_400_000),
        lastHeard: iso(fromMs - 60_000),
        firstCounter: 0,
        lastCounter: 4212,
        heard: 890,
        devEui: null,
        proof: null,
      },
      {
        life: 1,
        begunBy: "counter-reset",
        reason: "counter fell from 4\u202F212 to 0, no join heard",
        firstHeard: iso(fromMs + 4000),
        lastHeard: iso(toMs - 60_000),
        firstCounter: 1800,
        lastCounter: 1800 + expected - 1,
        heard,
        ...own,
      },
    ],
    deviceLives: keyed
      ? [
          {
            devAddr: "01A2B3F0",
            life: 1,
            firstHeard: iso(fromMs - 5 * 86_400_000),
            lastHeard: iso(fromMs - 86_400_000),
            proof: "join-time",
          },
          {
            devAddr,
            life: 1,
            firstHeard: iso(fromMs + 4000),
            lastHeard: iso(toMs - 60_000),
            proof: "mic",
          },
        ]
      : [],
  };
}

/** What the service holds at first. */
export const KEY_ROWS: readonly KeyRow[] = [
  {
    id: KEYED,
    devAddr: KEYED,
    devEui: KEYED_EUI,
    held: ["nwkSKey", "appSKey"],
    counterBits: 32,
    origin: "join",
    note: null,
  },
  {
    id: "02005E10000000B2",
    devAddr: null,
    devEui: "02005E10000000B2",
    held: ["appKey"],
    counterBits: null,
    origin: "person",
    note: "soil probe, row 7",
  },
];
