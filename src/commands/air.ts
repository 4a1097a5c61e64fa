/** `mastlog air`: what fills the air at each gateway, and who spends how much of it. */
import { Command } from "commander";
import type { AirGateway, AirView, StrangersView } from "../contract/index.ts";
import { plainLine } from "../model/text.ts";
import { airView } from "../views/air.ts";
import { strangersView } from "../views/strangers.ts";
import { figure, percent } from "../words/format.ts";
import { ownPlansGiven, plansOption, viewAction, withViewOptions } from "./options.ts";
import { sentenceText, table, titled } from "./terminal.ts";

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
