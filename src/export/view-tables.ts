/**
 * The tables that views work out: nodes, links, gaps, gateways and channels, one row each over the window, with the
 * figures that the views and commands of those names show. One node at a time is worked out and written.
 */
import type { ChannelRow, DropoutRow, GatewayRow, NodeRow } from "../contract/index.ts";
import type { LinkRow } from "../contract/link.ts";
import type { NodeGatewayRow } from "../contract/nodes.ts";
import { parseDevAddr } from "../model/identifiers.ts";
import type { Store } from "../store/open.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { benchRecords } from "../store/settings.ts";
import { airView } from "../views/air.ts";
import { sharesByLife, withWhy } from "../views/gap-why.ts";
import { dropoutRow } from "../views/gaps.ts";
import { gatewaysOfWindow } from "../views/gateways.ts";
import { gapNames, knownGaps } from "../views/known-gaps.ts";
import { type NodeOfWindow, nodesOfWindow } from "../views/nodes-of-window.ts";
import { MAX_GATEWAYS_SHOWN } from "../views/reachability.ts";
import { type AskedWindow, knownUntilUs } from "../views/window.ts";
import {
  dayOf,
  type ExportScope,
  type Field,
  real,
  type Table,
  tableOf,
  text,
  time,
  timeUs,
  whole,
  yes,
} from "./table.ts";

/** The window stands in each row, so that rows of several exports can lie in one table. */
function windowFields<Of>({ fromUs, toUs }: AskedWindow): Field<Of>[] {
  return [
    { name: "windowFrom", type: "time", of: () => fromUs },
    { name: "windowTo", type: "time", of: () => toUs },
  ];
}

function dateOfWindow({ fromUs }: AskedWindow): () => string {
  const { date } = dayOf(fromUs);
  return () => date;
}

/** The lives heard in the window that the scope asks for, worked out one by one. */
function nodesIn(store: Store, { window, devAddr, gatewayEui }: ExportScope): Iterable<NodeOfWindow> {
  const found = nodesOfWindow(store, window, devAddr === undefined ? undefined : parseDevAddr(devAddr));
  return gatewayEui === undefined ? found : withGateway(found, gatewayEui);
}

function* withGateway(nodes: Iterable<NodeOfWindow>, eui: string): Generator<NodeOfWindow> {
  for (const node of nodes) if (node.row.gateways.includes(eui)) yield node;
}

export function nodesTable(store: Store, scope: ExportScope): Table {
  const { window } = scope;
  const fields: Field<NodeRow>[] = [
    text("devAddr", ({ devAddr }) => devAddr),
    whole("life", ({ life }) => life),
    text("name", ({ name }) => name),
    text("network", ({ network }) => network),
    yes("stranger", ({ stranger }) => stranger),
    whole("heard", ({ heard }) => heard),
    whole("expected", ({ expected }) => expected),
    whole("missed", ({ missed }) => missed),
    whole("missedDuringOutage", ({ missedDuringOutage }) => missedDuringOutage),
    whole("missedNotRecorded", ({ missedNotRecorded }) => missedNotRecorded),
    real("deliveryRatio", ({ deliveryRatio }) => deliveryRatio),
    real("deliveryLow95", ({ deliveryInterval95 }) => deliveryInterval95?.[0] ?? null),
    real("deliveryHigh95", ({ deliveryInterval95 }) => deliveryInterval95?.[1] ?? null),
    whole("frames", ({ frames }) => frames),
    whole("receptions", ({ receptions }) => receptions),
    whole("repeats", ({ repeats }) => repeats),
    real("rssiDbmMedian", ({ rssiDbm }) => rssiDbm.median),
    real("rssiDbmP10", ({ rssiDbm }) => rssiDbm.p10),
    real("rssiDbmP90", ({ rssiDbm }) => rssiDbm.p90),
    real("snrDbMedian", ({ snrDb }) => snrDb.median),
    real("snrDbP10", ({ snrDb }) => snrDb.p10),
    real("snrDbP90", ({ snrDb }) => snrDb.p90),
    real("marginDbMedian", ({ marginDb }) => marginDb.median),
    real("marginDbP10", ({ marginDb }) => marginDb.p10),
    real("marginDbP90", ({ marginDb }) => marginDb.p90),
    real("snrTrendDbPerDay", ({ snrTrend }) => snrTrend.slopePerDay),
    real("rhythmSeconds", ({ rhythmSeconds }) => rhythmSeconds),
    real("airtimeSeconds", ({ airtimeSeconds }) => airtimeSeconds),
    text("dataRates", ({ dataRates }) => dataRates.map(({ name }) => name).join(" ")),
    text("gateways", ({ gateways }) => gateways.join(" ")),
    time("firstHeard", ({ firstHeard }) => firstHeard),
    time("lastHeard", ({ lastHeard }) => lastHeard),
    yes("overdue", ({ overdue }) => overdue),
    text("standing", ({ standing }) => standing),
    text("cause", ({ why }) => why?.cause ?? null),
    ...windowFields<NodeRow>(window),
  ];
  function* rows() {
    const shares = sharesByLife(store, window);
    for (const { row, share } of nodesIn(store, scope)) yield { row: withWhy(row, shares), share };
  }
  return tableOf(fields, rows, dateOfWindow(window), null);
}

interface LinkOfNode {
  readonly node: NodeRow;
  readonly link: LinkRow;
  readonly heard: NodeGatewayRow;
}

export function linksTable(store: Store, scope: ExportScope): Table {
  const { window, gatewayEui } = scope;
  const fields: Field<LinkOfNode>[] = [
    text("devAddr", ({ node }) => node.devAddr),
    whole("life", ({ node }) => node.life),
    text("nodeName", ({ node }) => node.name),
    yes("stranger", ({ node }) => node.stranger),
    text("gatewayEui", ({ link }) => link.gatewayEui),
    text("gatewayName", ({ link }) => link.gatewayName),
    whole("expected", ({ node }) => node.expected),
    whole("heard", ({ heard }) => heard.heard),
    real("deliveryRatio", ({ heard }) => heard.deliveryRatio),
    real("deliveryLow95", ({ heard }) => heard.deliveryInterval95?.[0] ?? null),
    real("deliveryHigh95", ({ heard }) => heard.deliveryInterval95?.[1] ?? null),
    real("deliveryInReach", ({ link }) => link.delivery.ratio),
    real("rssiDbmMedian", ({ heard }) => heard.rssiDbm.median),
    real("snrDbMedian", ({ heard }) => heard.snrDb.median),
    real("marginDbMedian", ({ link }) => link.margin.medianDb),
    real("marginDbP10", ({ link }) => link.margin.p10Db),
    real("marginDbP90", ({ link }) => link.margin.p90Db),
    text("dataRate", ({ link }) => link.dataRate),
    whole("headroomSteps", ({ link }) => link.headroom.steps),
    text("trend", ({ link }) => link.trend.verdict),
    real("trendDbPerDay", ({ link }) => link.trend.slopePerDay),
    whole("steps", ({ link }) => link.shifts.length),
    real("frequencyOffsetHz", ({ link }) => link.frequencyOffset?.medianHz ?? null),
    real("distanceM", ({ link }) => link.geometry?.distanceM ?? null),
    real("freeSpaceLossDb", ({ link }) => link.geometry?.freeSpaceLossDb ?? null),
    real("pathLossDb", ({ link }) => link.geometry?.pathLossDb ?? null),
    real("excessLossDb", ({ link }) => link.geometry?.excessDb ?? null),
    ...windowFields<LinkOfNode>(window),
  ];
  function* rows() {
    for (const node of nodesIn(store, scope)) {
      const heardBy = new Map(node.heardBy().map((one) => [one.gatewayEui, one]));
      for (const link of node.links()) {
        const heard = heardBy.get(link.gatewayEui);
        if (heard === undefined || (gatewayEui !== undefined && link.gatewayEui !== gatewayEui)) continue;
        yield { row: { node: node.row, link, heard }, share: node.share };
      }
    }
  }
  return tableOf(fields, rows, dateOfWindow(window), ({ link }) => link.gatewayEui);
}

export function gapsTable(store: Store, { window, devAddr, gatewayEui }: ExportScope): Table {
  const fields: Field<DropoutRow>[] = [
    text("id", ({ id }) => id),
    text("devAddr", (row) => row.devAddr),
    whole("life", ({ life }) => life),
    text("name", ({ name }) => name),
    yes("stranger", ({ stranger }) => stranger),
    text("kind", ({ kind }) => kind),
    text("scope", ({ scope }) => scope),
    text("gatewayEui", ({ gateway }) => gateway),
    text("gatewayName", ({ gatewayName }) => gatewayName),
    yes("open", ({ open }) => open),
    time("from", ({ from }) => from),
    time("to", ({ to }) => to),
    whole("missedCounters", ({ missedCounters }) => missedCounters),
    whole("firstMissedCounter", ({ firstMissedCounter }) => firstMissedCounter),
    whole("lastMissedCounter", ({ lastMissedCounter }) => lastMissedCounter),
    whole("heardCounters", ({ heardCounters }) => heardCounters),
    real("expectedByRhythm", ({ expectedByRhythm }) => expectedByRhythm),
    text("cause", ({ finding }) => finding.cause),
    real("confidence", ({ finding }) => finding.confidence),
    text("certainty", ({ finding }) => finding.word),
    text("sentence", ({ finding }) => finding.sentence),
    ...windowFields<DropoutRow>(window),
  ];
  function* rows() {
    const names = gapNames(store, knownUntilUs(window));
    const address = devAddr === undefined ? null : parseDevAddr(devAddr);
    const { gaps } = knownGaps(store, window, Number.MAX_SAFE_INTEGER);
    let done = 0;
    for (const gap of gaps) {
      done += 1;
      if (address !== null && gap.devAddr !== address) continue;
      const row = dropoutRow(gap, names, window);
      if (gatewayEui !== undefined && row.gateway !== gatewayEui) continue;
      yield { row, share: done / gaps.length };
    }
  }
  return tableOf(fields, rows, ({ from }) => from.slice(0, 10), null);
}

function sum(counts: Readonly<Record<string, number>>): number {
  return Object.values(counts).reduce((total, count) => total + count, 0);
}

export function gatewaysTable(store: Store, { window, gatewayEui }: ExportScope): Table {
  const records = benchRecords(store);
  const fields: Field<GatewayRow>[] = [
    text("eui", ({ eui }) => eui),
    text("name", ({ name }) => name),
    text("serial", ({ eui }) => records.get(eui)?.serial ?? null),
    { name: "signedOff", type: "time", of: ({ eui }) => records.get(eui)?.signedOffUs ?? null },
    whole("receptions", ({ receptions }) => receptions),
    whole("crcBad", ({ crcBad }) => crcBad),
    whole("crcNone", ({ crcNone }) => crcNone),
    whole("datagrams", ({ datagrams }) => datagrams),
    whole("rejected", ({ rejected }) => sum(rejected)),
    real("keepaliveSeconds", ({ keepaliveSeconds }) => keepaliveSeconds),
    time("firstHeard", ({ firstHeard }) => firstHeard),
    time("lastHeard", ({ lastHeard }) => lastHeard),
    text("protocolVersions", ({ protocolVersions }) => protocolVersions.join(" ")),
    text("region", ({ region }) => region.name),
    real("regionConfidence", ({ region }) => region.confidence),
    whole("subBand", ({ region }) => region.subBand),
    real("clockDriftPpm", ({ clockDriftPpm }) => clockDriftPpm),
    whole("restarts", ({ restarts }) => restarts),
    whole("outages", ({ outages }) => outages.length),
    real("outageSeconds", ({ outages }) => secondsOf(outages)),
    real("notRecordedSeconds", ({ notRecorded }) => secondsOf(notRecorded)),
    whole("events", ({ events }) => events.length),
    real("ackPercent", ({ ackPercent }) => ackPercent),
    real("temperatureC", ({ temperatureC }) => temperatureC),
    text("standing", ({ standing }) => standing),
    text("clause", ({ clause }) => clause),
    whole("downlinksAsked", ({ downlinks }) => downlinks?.asked ?? null),
    real("downlinksLateShare", ({ downlinks }) => downlinks?.lateShare ?? null),
    real("roundTripMsMedian", ({ downlinks }) => downlinks?.push.medianMs ?? null),
    ...windowFields<GatewayRow>(window),
  ];
  function* rows() {
    for (const row of gatewaysOfWindow(store, window))
      if (gatewayEui === undefined || row.eui === gatewayEui) yield { row, share: 1 };
  }
  return tableOf(fields, rows, dateOfWindow(window), ({ eui }) => eui);
}

function secondsOf(ranges: readonly { readonly from: string; readonly to: string }[]): number {
  return ranges.reduce((total, { from, to }) => total + (timeUs(to) - timeUs(from)) / 1e6, 0);
}

export function channelsTable(store: Store, { window, gatewayEui }: ExportScope): Table {
  const fields: Field<ChannelRow>[] = [
    text("gatewayEui", (row) => row.gatewayEui),
    text("gatewayName", ({ gatewayName }) => gatewayName),
    whole("frequencyHz", ({ frequencyHz }) => frequencyHz),
    whole("receptions", ({ receptions }) => receptions),
    real("airtimeSeconds", ({ airtimeSeconds }) => airtimeSeconds),
    real("busySeconds", ({ busySeconds }) => busySeconds),
    real("offeredLoadErlang", ({ offeredLoad }) => offeredLoad),
    real("utilisation", ({ utilisation }) => utilisation),
    whole("crcBad", ({ crcBad }) => crcBad),
    real("crcBadRatio", ({ crcBadRatio }) => crcBadRatio),
    real("noiseFloorDbm", ({ noiseFloorDbm }) => noiseFloorDbm),
    text("noiseTrust", ({ noiseTrust }) => noiseTrust),
    text("noiseTrend", ({ noiseTrend }) => noiseTrend.verdict),
    real("ownAirtimeSeconds", ({ ownAirtimeSeconds }) => ownAirtimeSeconds),
    real("strangerAirtimeSeconds", ({ strangerAirtimeSeconds }) => strangerAirtimeSeconds),
    whole("strangerReceptions", ({ strangerReceptions }) => strangerReceptions),
    ...windowFields<ChannelRow>(window),
  ];
  function* rows() {
    const euis =
      gatewayEui === undefined
        ? allGateways(store, knownUntilUs(window)).map(({ eui }) => eui)
        : [gatewayEui];
    // The view shows so many gateways at most: they are asked for in lots of that.
    for (let at = 0; at < euis.length; at += MAX_GATEWAYS_SHOWN) {
      const lot = euis.slice(at, at + MAX_GATEWAYS_SHOWN);
      const share = Math.min(1, (at + lot.length) / euis.length);
      for (const row of airView(store, window, lot).channels) yield { row, share };
    }
  }
  return tableOf(fields, rows, dateOfWindow(window), (row) => row.gatewayEui);
}
