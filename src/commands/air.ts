/** `mastlog air` and `mastlog capacity`: what fills the air at each gateway, who spends how much of it, and what room is left. */
import { Command } from "commander";
import { type CapacityView, type NodeCostView, PowerQuery } from "../contract/capacity.ts";
import type { AirGateway, AirView, StrangersView } from "../contract/index.ts";
import { plainLine } from "../model/text.ts";
import { airView } from "../views/air.ts";
import { capacityView, nodeCostView, USUAL_SHARE } from "../views/capacity.ts";
import { strangersView } from "../views/strangers.ts";
import { duration, figure, megahertzFigure, percent, percentInterval } from "../words/format.ts";
import {
  CannotRun,
  guarded,
  overWindow,
  ownPlansGiven,
  plansOption,
  readDevAddr,
  readViewOptions,
  viewAction,
  withViewOptions,
} from "./options.ts";
import { joined, print, printJson, sentenceText, table, titled } from "./terminal.ts";

export function airCommand(): Command {
  return withViewOptions(
    new Command("air").description(
      "channels: utilisation, load, wrong CRCs, noise; strangers, busiest nodes, collisions, airtime against limits",
    ),
  )
    .addOption(plansOption())
    .option("--strangers", "neighbours' networks in full: growth by week, and what they cost each own node")
    .action((given: { readonly strangers?: boolean }) =>
      given.strangers === true
        ? viewAction(strangersView, strangersParts)(given)
        : viewAction(
            (store, window) => airView(store, window, undefined, ownPlansGiven(given)),
            (view) => [sentenceText(view.sentence), ...partsOf(view), view.caution],
            "sums",
          )(given),
    );
}

function partsOf(view: AirView): string[] {
  if (view.channels.length === 0) return [];
  const { detail } = view;
  const since = detail.whole
    ? ""
    : `From here on: the newest ${figure(detail.packets)} packets, since ${detail.from}. The window holds more.`;
  return [
    channelTable(view),
    since,
    titled("Where the noise comes from", noiseLines(view)),
    ...view.gateways.map(gatewayWords),
    view.moreGateways === 0 ? "" : `${view.moreGateways} more gateways were heard and are not listed.`,
    titled("Data rates", dataRateTable(view)),
    titled("Whose airtime", networkTable(view)),
    titled("Nodes with most airtime", talkerTable(view)),
    titled("Airtime against limits, fullest hour of each sub-band", airtimeTable(view)),
  ];
}

/** One line a source: what it is, where it is strongest, which way to walk. */
function noiseLines({ noiseSources }: AirView): string {
  return noiseSources
    .map(({ from, to, words, place, walk }) =>
      plainLine([`${from} to ${to}`, words, place.words, walk?.words ?? ""].join(" ").trim()),
    )
    .join("\n");
}

function strangersParts(view: StrangersView): string[] {
  const { sentence, networks, nodes, weeksAt, caution } = view;
  const at = weeksAt === null ? "" : `Weeks as heard by ${weeksAt.gatewayName ?? weeksAt.gatewayEui}`;
  return [
    plainLine(sentence),
    table(networks, [
      { title: "network", of: (one) => one.network },
      { title: "nodes", of: (one) => String(one.nodes), right: true },
      { title: "frames", of: (one) => String(one.frames), right: true },
      { title: "airtime s", of: (one) => figure(one.airtimeSeconds, 2), right: true },
      { title: "share", of: (one) => percent(one.share), right: true },
      { title: "growth", of: (one) => one.growth.words },
    ]),
    titled(
      at,
      networks
        .map(({ network, weeks }) => {
          const known = weeks.flatMap(({ from, secondsPerDay }) =>
            secondsPerDay === null ? [] : [`${from.slice(0, 10)} ${figure(secondsPerDay, 1)} s a day`],
          );
          return known.length === 0 ? "" : plainLine(`${network}: ${known.join(", ")}`);
        })
        .filter((line) => line !== "")
        .join("\n"),
    ),
    nodes.map(({ devAddr, name, words }) => plainLine(`${name ?? devAddr}: ${words}`)).join("\n"),
    caution,
  ];
}

function channelTable(view: AirView): string {
  return table(view.channels, [
    { title: "gateway", of: (channel) => channel.gatewayName ?? channel.gatewayEui },
    { title: "MHz", of: (channel) => figure(channel.frequencyHz / 1e6, 3), right: true },
    { title: "receptions", of: (channel) => String(channel.receptions), right: true },
    { title: "airtime s", of: (channel) => figure(channel.airtimeSeconds, 2), right: true },
    { title: "busy s", of: (channel) => figure(channel.busySeconds, 2), right: true },
    { title: "utilisation", of: (channel) => percent(channel.utilisation, 2), right: true },
    { title: "crc bad", of: (channel) => percent(channel.crcBadRatio), right: true },
    { title: "noise dBm", of: (channel) => figure(channel.noiseFloorDbm, 1), right: true },
    { title: "noise trend", of: (channel) => trendWords(channel.noiseTrend) },
    { title: "strangers s", of: (channel) => figure(channel.strangerAirtimeSeconds, 2), right: true },
    { title: "collisions", of: (channel) => percent(channel.collisions?.aloha, 2), right: true },
  ]);
}

function trendWords({ verdict, changeDb }: AirView["channels"][number]["noiseTrend"]): string {
  return changeDb === null ? verdict : `${verdict}, ${figure(changeDb, 1)} dB`;
}

function gatewayWords(gateway: AirGateway): string {
  const head = `${gateway.gatewayName ?? gateway.gatewayEui}${gateway.region === null ? "" : `, ${gateway.region}`}`;
  return [
    plainLine(head),
    `  collisions    ${gateway.collisionWords}`,
    `  own sending   ${gateway.deaf.words}`,
    `  demodulators  ${gateway.demodulators.words}`,
  ].join("\n");
}

function dataRateTable({ dataRates }: AirView): string {
  return table(dataRates, [
    { title: "data rate", of: (rate) => rate.name },
    { title: "packets", of: (rate) => String(rate.receptions), right: true },
    { title: "frames", of: (rate) => String(rate.frames), right: true },
    { title: "airtime s", of: (rate) => figure(rate.airtimeSeconds, 2), right: true },
  ]);
}

function networkTable({ networks }: AirView): string {
  const total = networks.reduce((sum, one) => sum + one.airtimeSeconds, 0);
  return table(networks, [
    { title: "network", of: ({ network }) => network ?? "no node named" },
    { title: "whose", of: ({ stranger }) => (stranger === null ? "–" : stranger ? "strangers" : "own") },
    { title: "nodes", of: (one) => String(one.nodes), right: true },
    { title: "packets", of: (one) => String(one.receptions), right: true },
    { title: "frames", of: (one) => String(one.frames), right: true },
    { title: "airtime s", of: (one) => figure(one.airtimeSeconds, 2), right: true },
    { title: "share", of: (one) => percent(total === 0 ? null : one.airtimeSeconds / total), right: true },
  ]);
}

function talkerTable({ talkers }: AirView): string {
  return table(talkers, [
    { title: "node", of: (talker) => talker.name ?? talker.devAddr },
    { title: "whose", of: (talker) => (talker.stranger ? talker.network : "own") },
    { title: "frames", of: (talker) => String(talker.frames), right: true },
    { title: "airtime s", of: (talker) => figure(talker.airtimeSeconds, 2), right: true },
    { title: "share", of: (talker) => percent(talker.share), right: true },
    { title: "fullest hour", of: (talker) => percent(talker.busiestHourDuty, 2), right: true },
  ]);
}

function airtimeTable({ airtime }: AirView): string {
  return table(airtime, [
    { title: "node", of: (row) => row.name ?? row.devAddr },
    {
      title: "MHz",
      of: ({ fromHz, toHz }) => (fromHz === null || toHz === null ? "–" : `${fromHz / 1e6}–${toHz / 1e6}`),
    },
    { title: "at least", of: (row) => percent(row.atLeast, 2), right: true },
    { title: "estimate", of: (row) => percent(row.estimate, 2), right: true },
    { title: "limit", of: (row) => percent(row.limit), right: true },
    { title: "", of: (row) => row.words },
    { title: "", of: ({ dwell }) => (dwell === null ? "" : dwell.words) },
  ]);
}

// `mastlog capacity`: how many more nodes the site carries, what a faster data rate frees, and what one
// node's battery pays.

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
