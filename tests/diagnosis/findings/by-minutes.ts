/** Scenes by minutes: a frame each minute whose counter is the minute, a gap from minute 100 to 200. Counted by hand. */

import type { Scene, SceneGap, SceneGateway, SceneReception } from "../../../src/model/gap.ts";
import type { NamedText } from "../../../src/model/text.ts";

export const S = 1_000_000;
export const MINUTE = 60 * S;
const EUI = "02005E1000000001";

export const gateway = (more: Partial<SceneGateway> = {}): SceneGateway => ({
  id: 1,
  eui: EUI,
  outages: [],
  notRecorded: [],
  restartsUs: [],
  tellsCounter: true,
  keepaliveUs: 20 * S,
  keepalivesUs: [],
  reports: [],
  transmissions: [],
  ...more,
});

export const heard = (
  lifeId: number,
  minute: number,
  counter: number,
  more: Partial<SceneReception> = {},
): SceneReception => ({
  atUs: minute * MINUTE,
  gatewayId: 1,
  tmstUs: null,
  crcOk: true,
  devAddr: 100 + lifeId,
  lifeId,
  counter,
  repeat: false,
  joinEui: null,
  frequencyHz: 868_100_000,
  spreadingFactor: 9,
  dataRate: 3,
  rssiDbm: -110,
  signalRssiDbm: null,
  snrDb: -5,
  airtimeUs: 185_300,
  ...more,
});

/** A frame each minute in a range, its counter the minute, but for the minutes missed. */
export const every = (
  lifeId: number,
  from: number,
  to: number,
  missed: readonly number[] = [],
  more: Partial<SceneReception> = {},
) =>
  Array.from({ length: to - from + 1 }, (_, i) => from + i)
    .filter((minute) => !missed.includes(minute))
    .map((minute) => heard(lifeId, minute, minute, more));

/** A gap from minute 100 to 200, the hour before and after known. */
export function scene(
  receptions: readonly SceneReception[],
  gap: Partial<SceneGap> = {},
  more: Partial<Scene> = {},
): Scene {
  const within = { fromUs: 100 * MINUTE, toUs: 200 * MINUTE };
  return {
    gap: {
      ...within,
      kind: "counters",
      missed: 10,
      firstMissed: null,
      lastMissed: null,
      heard: 0,
      rhythmUs: MINUTE,
      lacking: 0,
      devAddr: 101,
      life: 1,
      lifeId: 1,
      open: false,
      expectedByRhythm: 100,
      ...gap,
    },
    nowUs: 300 * MINUTE,
    within,
    before: { fromUs: 40 * MINUTE, toUs: 100 * MINUTE },
    after: { fromUs: 200 * MINUTE, toUs: 260 * MINUTE },
    nobody: [],
    followed: 1,
    homes: [gateway()],
    receptions: [...receptions].sort((a, b) => a.atUs - b.atUs),
    nextLife: null,
    shared: null,
    successor: null,
    devEui: null,
    ...more,
  };
}

/** A piece's sentence as text with plain spaces, identifiers where names would stand. */
export function said({ sentence }: { readonly sentence: NamedText }): string {
  const parts = typeof sentence === "string" ? [sentence] : sentence;
  return parts
    .map((part) => (typeof part === "string" ? part : "node" in part ? part.node : part.gateway))
    .join("")
    .replaceAll(/[\u202F\u00A0]/g, " ");
}
