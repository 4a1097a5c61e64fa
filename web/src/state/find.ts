/** What does a person look for: a node, a device, a gateway, or a moment? Answers are places of the dashboard. */
import type { GatewayRow } from "../../../src/contract/gateways.ts";
import type { NodeRow } from "../../../src/contract/nodes.ts";
import type { JoiningDevice } from "../../../src/contract/site.ts";
import { exactTime } from "../format.ts";
import { describeWindow, readMoment, readWindow, type WindowChoice } from "./window.ts";

export interface Findable {
  readonly nodes: readonly Pick<NodeRow, "devAddr" | "life" | "name" | "lastHeard">[];
  readonly gateways: readonly Pick<GatewayRow, "eui" | "name">[];
  readonly joins: readonly Pick<JoiningDevice, "devEui" | "devAddr" | "life">[];
}

export interface Place {
  readonly kind: "node" | "gateway" | "device" | "time";
  readonly title: string;
  /** What it is known by beside its title. */
  readonly note: string;
  readonly path: string;
  /** Of a time. */
  readonly window: WindowChoice | null;
}

/** Shown at once; a longer word finds the others. */
const MAX_PLACES = 12;
/** Around a moment that was typed. */
const AROUND_MS = 15 * 60_000;

/** Returns the places that `text` names, those that begin with it first; `herePath` is where a time leads. */
export function findPlaces(
  text: string,
  { nodes, gateways, joins }: Findable,
  at: { readonly nowMs: number; readonly aroundMs: number; readonly herePath: string },
): Place[] {
  const words = text.trim();
  if (words === "") return [];
  const wanted = words.toLowerCase();
  const bare = wanted.replace(/[\s:.-]/g, "");
  const rank = (...known: (string | null | undefined)[]): number | null => {
    const texts = known.flatMap((one) => (one == null ? [] : [one.toLowerCase()]));
    if (texts.some((one) => one.startsWith(wanted) || one === bare)) return 0;
    if (texts.some((one) => one.endsWith(bare) && bare.length >= 2)) return 1;
    return texts.some((one) => one.includes(wanted)) ? 2 : null;
  };
  const found: { rank: number; place: Place }[] = [];
  const add = (order: number | null, place: Omit<Place, "window">) => {
    if (order !== null) found.push({ rank: order, place: { ...place, window: null } });
  };
  for (const { eui, name } of gateways)
    add(rank(name, eui), { kind: "gateway", title: name ?? eui, note: eui, path: `/bench/${eui}` });
  for (const { devAddr, life, name } of newestLives(nodes))
    add(rank(name, devAddr), {
      kind: "node",
      title: name ?? devAddr,
      note: devAddr,
      path: `/nodes/${devAddr}/${life}`,
    });
  for (const { devEui, devAddr, life } of joins)
    add(rank(devEui), {
      kind: "device",
      title: devEui,
      note: devAddr === undefined ? "its address is not known" : `now ${devAddr}`,
      path: devAddr === undefined ? "/nodes" : `/nodes/${devAddr}/${life ?? 1}`,
    });
  const places = found.sort((a, b) => a.rank - b.rank).map(({ place }) => place);
  return [...timeOf(words, at), ...places].slice(0, MAX_PLACES);
}

/** One entry a node: the life that was heard last. */
function newestLives(nodes: Findable["nodes"]): Findable["nodes"] {
  const newest = new Map<string, Findable["nodes"][number]>();
  for (const row of nodes) {
    const known = newest.get(row.devAddr);
    if (known === undefined || known.lastHeard < row.lastHeard) newest.set(row.devAddr, row);
  }
  return [...newest.values()];
}

function timeOf(
  text: string,
  { nowMs, aroundMs, herePath }: { nowMs: number; aroundMs: number; herePath: string },
): Place[] {
  // Four digits are rather the end of an address than a year.
  if (!/[:–]|\d\d\.\d\d|last|today|yesterday|ago|[a-z]{3} \d|\d [a-z]/i.test(text)) return [];
  const moment = readMoment(text, nowMs, aroundMs);
  if (moment.ok) {
    const window: WindowChoice = {
      kind: "fixed",
      fromMs: moment.ms - AROUND_MS,
      toMs: moment.ms + AROUND_MS,
    };
    const note = "the half hour around it";
    return [{ kind: "time", title: exactTime(moment.ms), note, path: herePath, window }];
  }
  const read = readWindow(text, nowMs);
  if (!read.ok) return [];
  return [
    { kind: "time", title: describeWindow(read.choice), note: "", path: herePath, window: read.choice },
  ];
}
