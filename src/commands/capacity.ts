/** `mastlog capacity`: how many more nodes the site carries, what a faster data rate frees, and what one node's battery pays. */
import { Command } from "commander";
import { type CapacityView, type NodeCostView, PowerQuery } from "../contract/capacity.ts";
import { capacityView, nodeCostView, USUAL_SHARE } from "../views/capacity.ts";
import { duration, figure, megahertzFigure, percent, percentInterval } from "../words/format.ts";
import {
  CannotRun,
  guarded,
  overWindow,
  ownPlansGiven,
  plansOption,
  readDevAddr,
  readViewOptions,
  withViewOptions,
} from "./options.ts";
import { joined, print, printJson, sentenceText, table } from "./terminal.ts";

interface Given {
  readonly share?: string;
  readonly node?: string;
  readonly power?: string;
  readonly transmitMa?: string;
  readonly receiveMa?: string;
  readonly sleepUa?: string;
  readonly batteryMah?: string;
}

export function capacityCommand(): Command {
  return withViewOptions(
    new Command("capacity").description(
      "how many more nodes like these fit until delivery falls below a share, which faster data rate frees airtime, and with --node what one node's battery pays",
    ),
  )
    .option("--share <ratio>", `delivery to keep, 0.5 to 0.999 (default: ${USUAL_SHARE})`)
    .option("--node <address>", "one node: airtime and charge a day, and each faster data rate")
    .option("--power <dbm>", "with --node: the power that it sends with (default: 14)")
    .option("--transmit-ma <mA>", "with --node: current while sending (default: of a data sheet, by power)")
    .option("--receive-ma <mA>", "with --node: current while receiving")
    .option("--sleep-ua <µA>", "with --node: current asleep, of the whole node if you know it")
    .option("--battery-mah <mAh>", "with --node: what its battery holds")
    .addOption(plansOption())
    .action((given: Given) =>
      guarded(() => {
        const options = readViewOptions(given);
        const { share, ...power } = readPower(given);
        overWindow(options, (store, window) => {
          if (given.node === undefined) {
            const view = capacityView(store, window, share, ownPlansGiven(given));
            return options.json ? printJson(view) : print(capacityText(view));
          }
          const devAddr = readDevAddr(given.node);
          const view = nodeCostView(store, window, devAddr, { share, ...power });
          if (view === null)
            throw new CannotRun(`No frame of a node of your own with address ${devAddr} is in this window.`);
          return options.json ? printJson(view) : print(costText(view));
        });
      }),
    );
}

const OPTIONS: Readonly<Record<string, string>> = {
  share: "--share",
  powerDbm: "--power",
  transmitMa: "--transmit-ma",
  receiveMa: "--receive-ma",
  sleepUa: "--sleep-ua",
  batteryMah: "--battery-mah",
};

function readPower(given: Given): PowerQuery {
  const { share, power: powerDbm, transmitMa, receiveMa, sleepUa, batteryMah } = given;
  const parsed = PowerQuery.safeParse({ share, powerDbm, transmitMa, receiveMa, sleepUa, batteryMah });
  if (parsed.success) return parsed.data;
  const key = String(parsed.error.issues[0]?.path[0] ?? "share");
  throw new CannotRun(
    key === "share"
      ? "--share takes a ratio from 0.5 to 0.999, such as 0.95."
      : `${OPTIONS[key] ?? key} takes a figure within reason.`,
  );
}

function capacityText(view: CapacityView): string {
  const { busiest, load, curve, changes } = view;
  return joined([
    sentenceText(view.sentence),
    busiest === null ? "" : `${busiest.words} It began at ${busiest.from}.`,
    table(curve, [
      { title: "more nodes", of: (point) => String(point.moreNodes), right: true },
      { title: "delivery", of: (point) => percent(point.delivery), right: true },
      { title: "interval", of: (point) => percentInterval(point.interval95), right: true },
    ]),
    table(load, [
      { title: "MHz", of: (row) => megahertzFigure(row.frequencyHz), right: true },
      { title: "data rate", of: (row) => row.dataRate },
      { title: "own", of: (row) => percent(row.ownErlang, 2), right: true },
      { title: "busiest", of: (row) => percent(row.ownBusiestErlang, 2), right: true },
      { title: "strangers", of: (row) => percent(row.strangerErlang, 2), right: true },
      { title: "busiest", of: (row) => percent(row.strangerBusiestErlang, 2), right: true },
    ]),
    view.changeSentence,
    table(changes, CHANGE_COLUMNS),
    view.downlinks.map(({ sentence }) => sentence).join("\n"),
    view.limits.join("\n"),
  ]);
}

const CHANGE_COLUMNS: Parameters<typeof table<CapacityView["changes"][number]>>[1] = [
  { title: "node", of: (row) => row.name ?? row.devAddr },
  { title: "from", of: (row) => `SF${row.fromSpreadingFactor}` },
  { title: "to", of: (row) => `SF${row.toSpreadingFactor}` },
  { title: "frees a day", of: (row) => duration(row.freedSecondsADay), right: true },
  { title: "of all", of: (row) => percent(row.freedShare), right: true },
  { title: "delivery now", of: (row) => percent(row.delivery), right: true },
  { title: "then", of: (row) => percent(row.wouldBe), right: true },
  { title: "interval", of: (row) => percentInterval(row.interval95), right: true },
  { title: "", of: (row) => (row.keeps ? "keeps the share" : "not surely") },
];

function costText(view: NodeCostView): string {
  const charges = [
    ...(view.now === null ? [] : [{ title: "now", ...view.now }]),
    ...(view.changed === null ? [] : [{ title: "changed", ...view.changed }]),
  ];
  return joined([
    view.sentence,
    table(charges, [
      { title: "", of: (row) => row.title },
      { title: "SF", of: (row) => String(row.spreadingFactor), right: true },
      { title: "frames a day", of: (row) => figure(row.framesADay, 1), right: true },
      { title: "airtime a day", of: (row) => duration(row.airtimeSecondsADay), right: true },
      { title: "send mAh", of: (row) => figure(row.transmitMahADay, 3), right: true },
      { title: "receive mAh", of: (row) => figure(row.receiveMahADay, 3), right: true },
      { title: "sleep mAh", of: (row) => figure(row.sleepMahADay, 3), right: true },
      { title: "all mAh", of: (row) => figure(row.totalMahADay, 3), right: true },
      { title: "battery days", of: (row) => figure(row.batteryDays), right: true },
    ]),
    view.changeSentence,
    table(view.changes, CHANGE_COLUMNS),
    table(view.power, [
      { title: "power table", of: (row) => row.title },
      {
        title: "",
        of: (row) => `${figure(row.value, Number.isInteger(row.value) ? 0 : 1)} ${row.unit}`.trim(),
        right: true,
      },
      { title: "source", of: (row) => row.source },
    ]),
    view.limits.join("\n"),
  ]);
}
