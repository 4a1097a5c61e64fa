/** Room for more nodes at the orchard, and what its probe pays: drawn figures, sentences of the product's own. */
import type { CapacityView, DataRateChange, NodeCostView, PowerQuery } from "../../src/contract/capacity.ts";
import {
  bestChangeSentence,
  busiestSentence,
  CAPACITY_LIMITS,
  CHARGE_LIMITS,
  changeSentence,
  chargeSentence,
  roomSentence,
} from "../../src/diagnosis/capacity-sentences.ts";
import { chargeADay, USUAL_POWER } from "../../src/radio/capacity/charge.ts";
import type { Span } from "./orchard.ts";

const change = (fromSpreadingFactor: number, toSpreadingFactor: number, keeps: boolean): DataRateChange => {
  const row = {
    fromSpreadingFactor,
    toSpreadingFactor,
    airtimeMs: 1482.752,
    airtimeMsThen: 205.824,
    freedSecondsADay: 184,
    delivery: 0.994,
    deliveryLow: 0.972,
    wouldBe: keeps ? 0.991 : 0.91,
    interval95: (keeps ? [0.968, 0.997] : [0.84, 0.95]) as [number, number],
  };
  const { deliveryLow: _, ...told } = row;
  return {
    ...told,
    devAddr: "01F2B110",
    name: "Frost probe 1",
    life: 1,
    freedShare: 0.31,
    keeps,
    sentence: changeSentence(row, 0.31),
  };
};

export function capacityView(span: Span, share = 0.95): CapacityView {
  const iso = (ms: number) => new Date(ms).toISOString();
  const delivery = { value: 0.992, low: 0.985, high: 0.996 };
  const more = { value: 140, low: 84, high: 232 };
  const facts = { share, nodes: 24, counters: 5120, recordedSeconds: 21_600 };
  const kept = change(12, 9, true);
  return {
    window: { from: iso(span.fromMs), to: iso(span.toMs), live: span.live },
    ...facts,
    verdict: "room",
    sentence: roomSentence(facts, delivery, more, 2400),
    from: iso(span.fromMs),
    delivery: { ratio: 0.992, interval95: [0.985, 0.996] },
    mean: { moreNodes: 140, interval95: [84, 232] },
    busiest: {
      moreNodes: 96,
      interval95: [52, 160],
      from: iso(span.fromMs),
      seconds: 1800,
      loadRatio: 1.4,
      words: busiestSentence(1800, 1.4, { value: 96, low: 52, high: 160 }, 2400),
    },
    curve: Array.from({ length: 9 }, (_, i) => {
      const at = 0.992 * Math.exp(-0.043 * i * 0.25);
      return {
        moreNodes: 35 * i,
        delivery: at,
        interval95: [at - 0.004 * (i + 1), Math.min(1, at + 0.002 * (i + 1))],
      };
    }),
    load: [
      {
        frequencyHz: 868_100_000,
        dataRate: "SF9BW125",
        ownErlang: 0.0121,
        ownBusiestErlang: 0.018,
        strangerErlang: 0.0021,
        strangerBusiestErlang: 0.003,
      },
    ],
    changes: [kept, change(8, 7, false)],
    changeSentence: bestChangeSentence(share, { name: "Frost probe 1", sentence: kept.sentence }),
    downlinks: [],
    limits: [...CAPACITY_LIMITS],
  };
}

export function nodeCostView(
  devAddr: string,
  { share = 0.95, ...entered }: PowerQuery,
  span: Span,
): NodeCostView {
  const { window } = capacityView(span);
  const sending = { framesADay: 144, airtimeMs: 1482.752, spreadingFactor: 12, bandwidthHz: 125_000 };
  const table = { ...USUAL_POWER, sleepUa: entered.sleepUa ?? USUAL_POWER.sleepUa };
  const now = chargeADay(sending, table);
  const then = chargeADay({ ...sending, airtimeMs: 205.824, spreadingFactor: 9 }, table);
  const kept = change(12, 9, true);
  return {
    window,
    devAddr,
    name: "Frost probe 1",
    share,
    sentence: chargeSentence(now),
    now: { spreadingFactor: 12, airtimeMs: 1482.752, framesADay: 144, ...now },
    changed: { spreadingFactor: 9, airtimeMs: 205.824, framesADay: 144, ...then },
    changes: [kept, change(12, 8, false)],
    changeSentence: bestChangeSentence(share, { name: "This step", sentence: kept.sentence }),
    power: [
      { key: "powerDbm", title: "Transmit power", unit: "dBm", value: 14, source: "chosen" },
      {
        key: "transmitMa",
        title: "Current while sending",
        unit: "mA",
        value: 43.5,
        source: "from data sheet",
      },
      {
        key: "receiveMa",
        title: "Current while receiving",
        unit: "mA",
        value: 10.8,
        source: "from data sheet",
      },
      {
        key: "sleepUa",
        title: "Current asleep",
        unit: "µA",
        value: table.sleepUa,
        source: entered.sleepUa === undefined ? "chosen" : "entered",
      },
      { key: "batteryMah", title: "Battery", unit: "mAh", value: 2600, source: "chosen" },
      { key: "rx2SpreadingFactor", title: "Second window at SF", unit: "", value: 12, source: "from memory" },
      { key: "windowSymbols", title: "A window stays open", unit: "symbols", value: 8, source: "chosen" },
    ],
    limits: [...CHARGE_LIMITS],
  };
}
