/** Where the growers' gateways stand, and what comparing the places says: invented answers of the contract's shape. */
import type {
  MarkEffect,
  MarkRow,
  PlacementRow,
  TrialAnswer,
  TrialSide,
  TrialsView,
  Window,
} from "../../src/contract/index.ts";

const UNSAID = {
  heightM: null,
  antennaGainDbi: null,
  cableLossDb: null,
  direction: null,
  note: null,
  photo: null,
};

/** The tower's gateway stood on the north parapet before it stood on the mast. */
export function placementRows(): PlacementRow[] {
  const tower = { gatewayEui: "02005E1000000002", gatewayName: "Water tower", antenna: null };
  return [
    {
      ...tower,
      ...UNSAID,
      id: 1,
      name: "North parapet",
      from: "2026-04-13T06:00:00.000Z",
      to: "2026-04-14T08:00:00.000Z",
      heightM: 11,
    },
    {
      ...tower,
      ...UNSAID,
      id: 2,
      name: "Tower mast",
      from: "2026-04-14T08:00:00.000Z",
      to: null,
      heightM: 17.5,
      antennaGainDbi: 6,
      cableLossDb: 1.2,
      direction: "south-west",
      note: "Pole of the old weather post",
    },
  ];
}

const SIDES: TrialSide[] = [
  { key: "p1", name: "North parapet", to: "2026-04-14T08:00:00.000Z", from: "2026-04-13T06:00:00.000Z" },
  { key: "p2", name: "Tower mast", from: "2026-04-14T08:00:00.000Z", to: null },
].map(({ key, name, from, to }) => ({
  key,
  name,
  gatewayEui: "02005E1000000002",
  gatewayName: "Water tower",
  antenna: null,
  placed: true,
  stretches: [{ from, to }],
}));

const interval = (estimate: number, low: number, high: number) => ({ estimate, low, high });
const NODES = [
  ["01F2A102", "Frost probe row 2", 3.1, 0.041, "floor allowed for"],
  ["01F2A109", "Frost probe row 9", 2.7, 0.063, "floor allowed for"],
  ["01F2A204", "Soil probe row 4", 3.4, 0.022, "common frames"],
  ["01F2A302", "Cold store 2 door", null, 0, "too strong"],
] as const;

/** Since the hedge was cut the site hears better. */
export function markEffect(window: Window, mark: MarkRow): MarkEffect {
  const {
    window: _,
    knownGainDifferenceDb: _gain,
    placeAloneDb: _place,
    placeWords: _words,
    ...answer
  } = trialAnswer(window);
  const text = `Since “${mark.text}” the site hears 2.9\u202FdB better (2.3 to 3.4) than before.`;
  return {
    ...answer,
    paired: false,
    mark,
    sentence: [{ text }],
    effect: "better",
    a: { name: "after", from: mark.at, to: window.to, comparedSeconds: 7_200 },
    b: { name: "before", from: window.from, to: mark.at, comparedSeconds: 7_200 },
    gateways: [{ eui: "02005E1000000002", name: "Water tower" }],
    gatewaysLeftOut: [],
    choices: [{ eui: "02005E1000000002", name: "Water tower" }],
    limitedBy: "recorded after",
    lengthWords: "2\u202Fh before the mark with 2\u202Fh after it, as long as was recorded since.",
    otherMarks: [],
    reservations: ["Noted in these times as well: “Turned the tower antenna” (1\u202Fh before)."],
  };
}

/** The mast hears better than the parapet, or (`enough` false) nobody can say yet. */
export function trialAnswer(window: Window, enough = true): TrialAnswer {
  const [b, a] = SIDES as [TrialSide, TrialSide];
  const side = (expected: number, heard: number, medianSnrDb: number) => ({
    expected,
    heard,
    deliveryRatio: heard / expected,
    medianSnrDb,
  });
  const pairs = { both: 571, onlyA: 38, onlyB: 9, neither: 22 };
  const group = (label: string, snr: number) => ({
    label,
    a: side(320, 304, snr),
    b: side(320, 290, snr - 2.9),
    pairs: { both: 285, onlyA: 19, onlyB: 5, neither: 11 },
    snrDifferenceDb: interval(2.9, 2.2, 3.6),
    deliveryDifference: interval(0.044, 0.021, 0.068),
  });
  return {
    window,
    a,
    b,
    paired: true,
    sentence: [
      {
        text: enough
          ? "Tower mast hears 2.9\u202FdB better (2.3 to 3.4) and loses 4.1 points fewer frames (2.8 to 5.5) than North parapet."
          : "Not enough to say yet: about 40 more frames, some 20\u202Fmin of listening, would settle it. So far Tower mast hears 0.9\u202FdB better (\u22120.2 to 2.0) than North parapet.",
      },
    ],
    snrDifferenceDb: enough ? interval(2.9, 2.3, 3.4) : interval(0.9, -0.2, 2),
    deliveryDifference: enough ? interval(0.041, 0.028, 0.055) : interval(0.01, -0.02, 0.04),
    enough,
    framesStillNeeded: enough ? 0 : 40,
    minutesStillNeeded: enough ? 0 : 20,
    progress: enough ? 1 : 0.72,
    neededWords: enough ? "" : "about 40 more frames, some 20\u202Fmin of listening, would settle it.",
    verdict: enough ? "a" : "not enough",
    limits: { snrDb: 1, delivery: 0.01 },
    knownGainDifferenceDb: 1.8,
    placeAloneDb: interval(1.1, 0.5, 1.6),
    placeWords:
      "Of the 2.9\u202FdB of Tower mast, antennas and cables as entered make 1.8\u202FdB; the place alone makes 1.1\u202FdB (0.5 to 1.6).",
    commonFrames: {
      count: 571,
      snrDifferenceDb: interval(2.5, 2.2, 2.8),
      signedRankP: 1e-9,
      powerDifferenceDb: interval(2.6, 2.2, 2.9),
      powerSource: "signal-rssi",
    },
    delivery: {
      a: side(640, 609, -4.1),
      b: side(640, 580, -6.6),
      pairs,
      mcnemarP: 0.0004,
      mcnemarMethod: "chi-squared",
      designEffect: 1.3,
    },
    control: null,
    nodes: NODES.map(([devAddr, name, snr, share, method]) => ({
      devAddr,
      name,
      a: side(160, 152, -4),
      b: side(160, 145, -6.5),
      pairs: { both: 143, onlyA: 9, onlyB: 2, neither: 6 },
      snrDifferenceDb:
        snr === null ? { estimate: null, low: null, high: null } : interval(snr, snr - 0.8, snr + 0.8),
      deliveryDifference: interval(share, share - 0.03, share + 0.03),
      weight: snr === null ? 0 : 1 / 3,
      method,
      methodWords: method === "too strong" ? "too strong: the SNR figure stops rising" : method,
    })),
    spreadingFactors: [group("SF9BW125", -3), group("SF10BW125", -6)],
    channels: [group("868.1\u202FMHz", -4), group("868.3\u202FMHz", -4)],
    snr: {
      fromDb: -16,
      binDb: 1,
      a: [0, 2, 9, 30, 80, 140, 180, 110, 40, 18],
      b: [4, 14, 60, 120, 150, 120, 70, 30, 12, 0],
    },
    difference: { fromDb: -1, binDb: 0.5, frames: [3, 9, 22, 51, 90, 120, 118, 84, 46, 20, 8] },
    reservations: ["1 of 4 nodes are too strong to compare by SNR; they count for delivery."],
    method: ["Paired: both sides could hear the same frames at once."],
    caution: "Work at height, lightning protection and mains earthing belong to qualified people.",
  };
}

export function trialsView(window: Window, enough = true): TrialsView {
  const answer = trialAnswer(window, enough);
  const { snrDifferenceDb, deliveryDifference, verdict, paired, sentence } = answer;
  return {
    window,
    sentence,
    placements: placementRows(),
    sides: SIDES,
    trials: [
      {
        id: "p2~p1",
        a: "p2",
        b: "p1",
        paired,
        snrDifferenceDb,
        deliveryDifference,
        p: 0.0004,
        adjustedP: 0.0004,
        verdict,
        words: sentence.map(({ text }) => text).join(""),
      },
    ],
    sidesLeftOut: 0,
    answer,
  };
}
