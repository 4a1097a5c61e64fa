/** Every counter life heard in a window, worked out one at a time: for taking them out, however many there are. */
import type { LinkRow, NodeGatewayRow, NodeRow } from "../contract/index.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { seriesOfFrames } from "../store/hours/read-frames.ts";
import type { Store } from "../store/open.ts";
import { frameCounts, framesOfLife, receptionsOfLife } from "../store/queries/frames.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels, lifeSpans } from "../store/queries/lives.ts";
import { linkRows } from "./link.ts";
import { lossOf } from "./node-figures.ts";
import { nodeGatewayRow } from "./node-page.ts";
import { nodeContext, nodeRow } from "./node-row.ts";
import { unheardAt } from "./reachability.ts";
import { placesOf, regionPowers } from "./user-data.ts";
import { type AskedWindow, knownUntilUs } from "./window.ts";

export interface NodeOfWindow {
  readonly row: NodeRow;
  /** Which share of all is done with it, 0 to 1. */
  readonly share: number;
  /** How each gateway heard it. */
  readonly heardBy: () => NodeGatewayRow[];
  /** What is said of the way to each of them. */
  readonly links: () => LinkRow[];
}

/** In order of address and life. `devAddr`: of one address alone. */
export function* nodesOfWindow(store: Store, window: AskedWindow, devAddr?: number): Generator<NodeOfWindow> {
  const lives = lifeSpans(store, knownUntilUs(window));
  const context = nodeContext(store, window, lives);
  const heard = [...frameCounts(store, window).keys()]
    .flatMap((id) => lives.get(id) ?? [])
    .filter((life) => devAddr === undefined || life.devAddr === devAddr)
    .sort((a, b) => a.devAddr - b.devAddr || a.number - b.number);
  const gateways = allGateways(store, knownUntilUs(window));
  const names = labels(store, "gateway");
  const nameOf = (eui: string) => names.get(eui)?.name ?? null;
  const places = placesOf(store);
  const powerOf = regionPowers(store, window, []);
  for (const [index, life] of heard.entries()) {
    const frames = framesOfLife(store, life.id, window);
    const series = seriesOfFrames(frames);
    const ids = new Set(frames.flatMap(({ gatewayIds }) => [...gatewayIds]));
    const heardBy = gateways.filter(({ id }) => ids.has(id));
    const row = nodeRow(
      life,
      series,
      heardBy.map(({ eui }) => eui),
      context,
    );
    yield {
      row,
      share: (index + 1) / heard.length,
      heardBy: () => {
        const receptions = receptionsOfLife(store, life.id, window);
        return heardBy.map((one) => nodeGatewayRow(one, nameOf(one.eui), receptions, row.expected));
      },
      links: () =>
        linkRows(store, {
          lifeId: life.id,
          devAddr: formatDevAddr(life.devAddr),
          places,
          powerOf,
          window,
          frames,
          gaps: lossOf(series, context.unheardBy(row.gateways)).gaps,
          gateways: heardBy,
          nameOf,
          unheardAt: (id) => unheardAt(context.reaches, id),
        }),
    };
  }
}
