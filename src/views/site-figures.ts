/**
 * Which figures of the site are given to machines that ask every few seconds? Those of the views Site, Air and Nodes over
 * the last hour, of the own nodes only, and bounded in number: each is a time series that somebody else keeps.
 */
import type { GatewayRow } from "../contract/gateways.ts";
import type { ChannelRow } from "../contract/index.ts";
import type { NodeRow } from "../contract/nodes.ts";
import type { Store } from "../store/open.ts";
import { allGateways, lastKeepaliveUs } from "../store/queries/gateways.ts";
import { airView } from "./air.ts";
import { gatewaysView } from "./gateways.ts";
import { nodesView } from "./nodes.ts";
import { askedWindow, knownUntilUs } from "./window.ts";

export const FIGURES_WINDOW_SECONDS = 3_600;
/** Chosen: a few thousand series of one service at most. Gateways are bounded by their view (64). */
export const MAX_CHANNEL_FIGURES = 100;
export const MAX_NODE_FIGURES = 200;

export interface SiteFigures {
  readonly gateways: readonly (Pick<
    GatewayRow,
    "eui" | "site" | "receptions" | "crcBad" | "datagrams" | "keepaliveSeconds" | "lastHeard"
  > & {
    /** Microseconds since 1970; null: none in the window. */
    readonly lastKeepaliveUs: number | null;
  })[];
  /** One gateway's channel each, the fullest first where they were cut. */
  readonly channels: readonly Pick<
    ChannelRow,
    "gatewayEui" | "frequencyHz" | "receptions" | "airtimeSeconds" | "utilisation" | "crcBad"
  >[];
  /** Own ones, a row a counter life, those heard most first where they were cut. */
  readonly nodes: readonly (Pick<
    NodeRow,
    "devAddr" | "life" | "heard" | "missed" | "missedNotRecorded" | "lastHeard"
  > & {
    /** Of the gateways that heard it in the hour; left out where they are not of one site. */
    readonly site?: string;
  })[];
  /** How many are left out. Channels of gateways that are left out are not counted. */
  readonly cut: { readonly gateways: number; readonly channels: number; readonly nodes: number };
}

/** `systemUs`: the end of the hour. */
export function siteFigures(store: Store, systemUs: number): SiteFigures {
  const window = askedWindow(store, { last: FIGURES_WINDOW_SECONDS }, systemUs);
  const { gateways, moreGateways } = gatewaysView(store, window);
  const ids = new Map(allGateways(store, knownUntilUs(window)).map(({ eui, id }) => [eui, id]));
  const { channels } = airView(store, window);
  const { nodes, moreNodes } = nodesView(store, window);
  const sites = new Map(gateways.map(({ eui, site }) => [eui, site]));
  const siteOf = (euis: readonly string[]) => {
    const [site, ...others] = new Set(euis.map((eui) => sites.get(eui)));
    return site === undefined || others.length > 0 ? {} : { site };
  };
  const own = nodes.filter(({ stranger }) => !stranger);
  // The view lists named nodes and own ones first: with any other in its list, none of them is missing.
  const isWhole = nodes.some(({ stranger, name }) => stranger && name === null);
  return {
    gateways: gateways.map(({ eui, site, receptions, crcBad, datagrams, keepaliveSeconds, lastHeard }) => {
      const id = ids.get(eui);
      return {
        eui,
        ...(site === undefined ? {} : { site }),
        receptions,
        crcBad,
        datagrams,
        keepaliveSeconds,
        lastHeard,
        lastKeepaliveUs: id === undefined ? null : lastKeepaliveUs(store, id, window),
      };
    }),
    channels: largest(channels, MAX_CHANNEL_FIGURES, ({ airtimeSeconds }) => airtimeSeconds).map(
      ({ gatewayEui, frequencyHz, receptions, airtimeSeconds, utilisation, crcBad }) => ({
        gatewayEui,
        frequencyHz,
        receptions,
        airtimeSeconds,
        utilisation,
        crcBad,
      }),
    ),
    nodes: largest(own, MAX_NODE_FIGURES, ({ frames }) => frames).map(
      ({ devAddr, life, heard, missed, missedNotRecorded, lastHeard, gateways: euis }) => ({
        devAddr,
        ...siteOf(euis),
        life,
        heard,
        missed,
        missedNotRecorded,
        lastHeard,
      }),
    ),
    cut: {
      gateways: moreGateways,
      channels: Math.max(0, channels.length - MAX_CHANNEL_FIGURES),
      nodes: Math.max(0, own.length - MAX_NODE_FIGURES) + (isWhole ? 0 : moreNodes),
    },
  };
}

function largest<T>(rows: readonly T[], most: number, size: (row: T) => number): readonly T[] {
  return rows.length <= most ? rows : [...rows].sort((a, b) => size(b) - size(a)).slice(0, most);
}
