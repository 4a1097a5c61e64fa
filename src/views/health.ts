/** How do the gateways and nodes stand now? The few facts that `mastlog check` and the watches judge. */
import type { GatewayHealth, NodeHealth, SiteHealth } from "../diagnosis/check.ts";
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { type TimeRange, totalUs } from "../model/time-range.ts";
import type { Store } from "../store/open.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels, lifeSpans } from "../store/queries/lives.ts";
import type { RecordedTime } from "../store/recorded-time.ts";
import { homeNetworksUntil, isStranger } from "./home-networks.ts";
import { listNodes } from "./nodes.ts";
import { reachOf, shownGateways } from "./reachability.ts";

import { type AskedWindow, knownEndUs, knownUntilUs, recordedOf } from "./window.ts";

/** `asked`: gateways (EUI) and nodes (address) that are answered for although the lists leave them out. */
export function siteHealth(
  store: Store,
  window: AskedWindow,
  asked: { readonly gateways: readonly string[]; readonly nodes: readonly string[] },
): SiteHealth {
  const endUs = knownEndUs(store, window);
  const recorded = recordedOf(store, window);
  const everUs = recorded.ranges({ fromUs: 0, toUs: endUs });
  const newestUs = everUs.at(-1)?.toUs ?? null;
  return {
    recordedSeconds: totalUs(recorded.ranges(window)) / 1e6,
    notRecordingSeconds: newestUs === null ? null : Math.max(0, endUs - newestUs) / 1e6,
    gateways: gatewaysHealth(store, window, endUs, recorded, asked.gateways),
    nodes: nodesHealth(store, window, endUs, recorded, asked.nodes),
  };
}

function gatewaysHealth(
  store: Store,
  window: AskedWindow,
  endUs: number,
  recorded: RecordedTime,
  asked: readonly string[],
): GatewayHealth[] {
  const { shown } = shownGateways(store, window);
  const also = allGateways(store, knownUntilUs(window)).filter(
    ({ eui }) => asked.includes(eui) && !shown.some((one) => one.eui === eui),
  );
  const names = labels(store, "gateway");
  return [...shown, ...also].map((gateway) => ({
    eui: gateway.eui,
    name: names.get(gateway.eui)?.name ?? null,
    silentSeconds: secondsOf(recorded, { fromUs: gateway.lastAtUs, toUs: endUs }, [gateway.id]),
    isOut: reachOf(store, gateway, window, endUs, recorded).isOut,
  }));
}

function nodesHealth(
  store: Store,
  window: AskedWindow,
  endUs: number,
  recorded: RecordedTime,
  asked: readonly string[],
): NodeHealth[] {
  const rows = groupBy(listNodes(store, window).nodes, ({ devAddr }) => devAddr);
  const listed = [...rows].map(([devAddr, lives]): NodeHealth => {
    const sum = (of: (row: (typeof lives)[number]) => number) =>
      lives.reduce((total, row) => total + of(row), 0);
    const notRecorded = sum((row) => row.missedNotRecorded);
    const lastUs = Math.max(...lives.map(({ lastHeard }) => Date.parse(lastHeard) * 1000));
    return {
      devAddr,
      name: lives[0]?.name ?? null,
      isStranger: lives[0]?.stranger ?? true,
      silentSeconds: secondsOf(recorded, { fromUs: lastUs, toUs: endUs }),
      isOverdue: lives.some(({ overdue }) => overdue),
      expected: sum((row) => row.expected) - notRecorded,
      missed: sum((row) => row.missed) - notRecorded,
      missedDuringOutage: sum((row) => row.missedDuringOutage),
    };
  });
  const missing = asked.filter((devAddr) => !rows.has(devAddr));
  if (missing.length === 0) return listed;
  // Heard before the window, and by its rhythm not overdue.
  const names = labels(store, "node");
  const home = homeNetworksUntil(store, names, knownUntilUs(window));
  const lives = groupBy(lifeSpans(store, knownUntilUs(window)).values(), ({ devAddr }) =>
    formatDevAddr(devAddr),
  );
  return [
    ...listed,
    ...missing.flatMap((devAddr): NodeHealth[] => {
      const own = lives.get(devAddr);
      if (own === undefined) return [];
      const lastUs = Math.max(...own.map(({ lastAtUs }) => lastAtUs));
      return [
        {
          devAddr,
          name: names.get(devAddr)?.name ?? null,
          isStranger: isStranger(devAddr, names.get(devAddr), home),
          silentSeconds: secondsOf(recorded, { fromUs: lastUs, toUs: endUs }),
          isOverdue: false,
          expected: 0,
          missed: 0,
          missedDuringOutage: 0,
        },
      ];
    }),
  ];
}

/** Recorded seconds within a range: of these gateways, or of any. */
function secondsOf(recorded: RecordedTime, range: TimeRange, gatewayIds?: readonly number[]): number {
  if (range.fromUs >= range.toUs) return 0;
  return Math.round(totalUs(recorded.ranges(range, gatewayIds)) / 1e5) / 10;
}
