/**
 * What does each view say in its first sentence? Made from the data, its figures linked to what they rest on.
 * Tone: plain, exact, no more than two clauses. Nothing is called good that was not earned.
 */
import type { Cause, GatewayRow, NodeRow, Sentence } from "../contract/index.ts";
import { CAUSE_LABELS } from "../words/causes.ts";
import { duration, lastName, percentInWords, plural } from "../words/format.ts";
import { countDevices, THRESHOLDS } from "./status.ts";

export type Part = Sentence[number];

export interface SpokenWindow {
  readonly fromUs: number;
  readonly toUs: number;
  readonly live: boolean;
}

export function text(words: string): Part {
  return { text: words };
}

function link(words: string, href: string): Part {
  return { text: words, href };
}

/** "in the last hour" when live, else "in this window of 6 h"; "so far" where nothing is stored yet, so that it has no length. */
export function within({ fromUs, toUs, live }: SpokenWindow): string {
  const seconds = (toUs - fromUs) / 1e6;
  if (seconds <= 0) return "so far";
  if (!live) return `in this window of ${duration(seconds)}`;
  return `in the ${lastName(seconds)}`;
}

/** Missed while a gateway was reachable and Mastlog recorded. */
function onAir({ missed, missedDuringOutage, missedNotRecorded }: NodeRow): number {
  return missed - missedDuringOutage - missedNotRecorded;
}

function lossOnAir(row: NodeRow): number {
  const recorded = row.expected - row.missedNotRecorded;
  return recorded === 0 ? 0 : onAir(row) / recorded;
}

function judged(nodes: readonly NodeRow[]): NodeRow[] {
  return nodes.filter(
    (row) => row.expected - row.missedDuringOutage - row.missedNotRecorded >= THRESHOLDS.leastExpected,
  );
}

function nodeTitle(row: NodeRow): string {
  return row.name ?? row.devAddr;
}

function nodeLink(row: NodeRow): Part {
  return link(nodeTitle(row), `#/nodes/${row.devAddr}/${row.life}`);
}

/** "2.4 % on the air (3 of 125)". */
function lossWords(row: NodeRow): string {
  return `${percentInWords(lossOnAir(row))} on the air (${onAir(row)} of ${row.expected - row.missedNotRecorded})`;
}

const ENOUGH = `${THRESHOLDS.leastExpected} counters or more`;

/** "3 of 14 nodes lost more than 5 % in the last hour; the shed gateway was unreachable for 4 minutes." */
export function siteSentence(
  gateways: readonly GatewayRow[],
  ownNodes: readonly NodeRow[],
  window: SpokenWindow,
): Sentence {
  if (gateways.length === 0) return [text(`No gateway was heard ${within(window)}.`)];
  return [...nodesPart(ownNodes, window), text("; "), ...gatewaysPart(gateways, window), text(".")];
}

/** "2 gateways were heard in this window of 6 h; the shed gateway was unreachable for 4 min." */
export function gatewaysSentence(gateways: readonly GatewayRow[], window: SpokenWindow): Sentence {
  if (gateways.length === 0) return [text(`No gateway was heard ${within(window)}.`)];
  return [
    link(plural(gateways.length, "gateway"), "#/site"),
    text(` ${gateways.length === 1 ? "was" : "were"} heard ${within(window)}; `),
    ...gatewaysPart(gateways, window),
    text("."),
  ];
}

function nodesPart(ownNodes: readonly NodeRow[], window: SpokenWindow): Part[] {
  const many = countDevices(ownNodes);
  if (many === 0) return [text(`None of your nodes was heard ${within(window)}`)];
  const enough = judged(ownNodes);
  const [only] = enough;
  if (only === undefined) {
    const [was, each] = many === 1 ? ["was", ""] : ["were", " of each"];
    return [
      link(plural(many, "node"), "#/nodes"),
      text(` ${was} heard ${within(window)}, too few counters${each} to calculate loss`),
    ];
  }
  if (enough.length === 1) {
    const of = many === 1 ? "" : `, the only one of ${many} nodes with ${ENOUGH},`;
    const lost = lossOnAir(only) === 0 ? "nothing on the air" : lossWords(only);
    return [nodeLink(only), text(`${of} lost ${lost} ${within(window)}`), ...whyPart([only])];
  }
  const losers = enough.filter((row) => lossOnAir(row) > THRESHOLDS.lookLoss);
  const losing = countDevices(losers);
  const judgedDevices = countDevices(enough);
  const of = judgedDevices === many ? "nodes" : `nodes with ${ENOUGH}`;
  return [
    link(`${losing === 0 ? "None" : losing} of ${judgedDevices} ${of}`, "#/nodes"),
    text(` lost more than ${THRESHOLDS.lookLoss * 100}\u202F% on the air ${within(window)}`),
    ...whyPart(losers),
  ];
}

/** ": mostly weak link (likely)", linked to the gaps of that cause; nothing where no gap was found. */
function whyPart(losers: readonly NodeRow[]): Part[] {
  const [only] = losers;
  if (only?.why != null && losers.length === 1)
    return [text(": "), link(only.why.words, `#/gaps?node=${only.devAddr}`)];
  const lost = new Map<Cause, number>();
  for (const { why, missed } of losers)
    if (why != null) lost.set(why.cause, (lost.get(why.cause) ?? 0) + missed);
  const [main] = [...lost].sort((a, b) => b[1] - a[1] || a[0].localeCompare(b[0]));
  if (main === undefined) return [];
  const [cause] = main;
  return [
    text(": "),
    link(`${lost.size > 1 ? "mostly " : ""}${CAUSE_LABELS[cause]}`, `#/gaps?cause=${cause}`),
  ];
}

function gatewaysPart(gateways: readonly GatewayRow[], window: SpokenWindow): Part[] {
  const out = gateways.filter((gateway) => gateway.outages.length > 0);
  if (out.length === 0) return eventPart(gateways) ?? [text(reachWords(gateways))];
  const parts: Part[] = [];
  for (const gateway of out.slice(0, 2)) {
    if (parts.length > 0) parts.push(text(out.length === 2 ? " and " : ", "));
    const verb = gateway.standing === "bad" ? "has been" : "was";
    parts.push(
      link(gatewayTitle(gateway), "#/site"),
      text(` ${verb} unreachable for ${duration(outSeconds(gateway, window))}`),
    );
  }
  if (out.length > 2) parts.push(text(`, and ${plural(out.length - 2, "gateway")} more`));
  return parts;
}

/** "the shed gateway has heard no packet for 2 h although nodes were due"; null where no gateway has such an event. */
function eventPart(gateways: readonly GatewayRow[]): Part[] | null {
  const struck = gateways.flatMap((gateway) => {
    const faults = gateway.events.filter(
      ({ kind }) => kind !== "gateway-strengthened" && kind !== "late-acknowledgements",
    );
    const event = faults.find(({ open }) => open) ?? faults[0];
    return event === undefined ? [] : [{ gateway, event }];
  });
  const [first] = [...struck.filter(({ event }) => event.open), ...struck];
  if (first === undefined) return null;
  const more = struck.length - 1;
  return [
    link(gatewayTitle(first.gateway), "#/site"),
    text(` ${first.event.clause}`),
    ...(more > 0
      ? [text(`, and ${plural(more, "gateway")} more ${more === 1 ? "has" : "have"} an event`)]
      : []),
  ];
}

function gatewayTitle(gateway: GatewayRow): string {
  return gateway.name ?? `gateway ${gateway.eui}`;
}

/** Said of gateways without an outage: reachable, where keepalives or status reports can show it. */
function reachWords(gateways: readonly GatewayRow[]): string {
  const unknown = gateways.filter((gateway) => !canBeFollowed(gateway));
  const [one] = unknown;
  if (one === undefined) {
    return gateways.length === 1 ? "the gateway was reachable" : `${allOf(gateways.length)} were reachable`;
  }
  let whose = `${unknown.length} of ${gateways.length} gateways`;
  if (unknown.length === gateways.length) whose = allOf(gateways.length);
  else if (unknown.length === 1) whose = gatewayTitle(one);
  return `too few keepalives came to tell whether ${whose} stayed reachable`;
}

function allOf(gateways: number): string {
  if (gateways === 1) return "the gateway";
  return gateways === 2 ? "both gateways" : `all ${gateways} gateways`;
}

function canBeFollowed({ keepaliveSeconds, heartbeat }: GatewayRow): boolean {
  return keepaliveSeconds !== null || heartbeat.statusReports.reduce((sum, n) => sum + n, 0) >= 3;
}

function outSeconds(gateway: GatewayRow, window: SpokenWindow): number {
  return gateway.outages.reduce((sum, { from, to }) => {
    const fromUs = Math.max(window.fromUs, Date.parse(from) * 1000);
    const toUs = Math.min(window.toUs, Date.parse(to) * 1000);
    return sum + Math.max(0, toUs - fromUs) / 1e6;
  }, 0);
}

/** What a list of nodes does not hold. */
interface LeftOut {
  /** Devices that were heard and are not listed. */
  readonly more?: number;
  /** Rows whose level may have fallen, which was not judged. */
  readonly unjudgedFalls?: number;
}

export function nodesSentence(
  nodes: readonly NodeRow[],
  homeAssumed: boolean,
  window: SpokenWindow,
  { more = 0, unjudgedFalls = 0 }: LeftOut = {},
): Sentence {
  const own = nodes.filter((row) => !row.stranger);
  const ownDevices = countDevices(own);
  const strangers = countDevices(nodes.filter((row) => row.stranger));
  if (nodes.length === 0) return [text(`No node was heard ${within(window)}.`)];
  const was = ownDevices + strangers === 1 ? "was" : "were";
  const others =
    (more === 0 ? "" : ` ${plural(more, "more node was", "more nodes were")} heard and not listed.`) +
    (unjudgedFalls === 0
      ? ""
      : ` The level of ${plural(unjudgedFalls, "more node", "more nodes")} may have fallen; only the largest falls were judged.`);
  if (own.length === 0) {
    const none = homeAssumed ? "no other node" : "none of your nodes";
    return [text(`${plural(strangers, "stranger")} and ${none} ${was} heard ${within(window)}.${others}`)];
  }
  return [
    text(`${plural(ownDevices, "node")}${homeAssumed ? "" : " of yours"}`),
    text(strangers === 0 ? "" : ` and ${plural(strangers, "stranger")}`),
    text(` ${was} heard ${within(window)}; `),
    ...worstPart(own),
    text("."),
    text(others),
  ].filter(({ text: words }) => words !== "");
}

/** Who lost most on the air, or that nobody lost anything. */
function worstPart(own: readonly NodeRow[]): Part[] {
  const enough = judged(own);
  const worst = [...enough].sort((a, b) => lossOnAir(b) - lossOnAir(a))[0];
  if (worst === undefined) {
    return [text(`too few counters${own.length === 1 ? "" : " of each"} to calculate loss`)];
  }
  if (lossOnAir(worst) > 0) {
    return [nodeLink(worst), text(` lost${enough.length === 1 ? "" : " most,"} ${lossWords(worst)}`)];
  }
  if (enough.length === 1) return [nodeLink(worst), text(" lost nothing on the air")];
  const judgedDevices = countDevices(enough);
  const who =
    judgedDevices === countDevices(own)
      ? "none of the nodes"
      : `none of the ${judgedDevices} nodes with ${ENOUGH}`;
  return [text(`${who} lost a counter on the air`)];
}

export function nodeSentence(row: NodeRow, gaps: number): Sentence {
  const title = nodeTitle(row);
  if (row.frames === 0) return [text(`Nothing of ${title}, life ${row.life}, was heard in this window.`)];
  if (row.deliveryRatio === null || row.deliveryInterval95 === null) {
    return [text(`${title} was heard with one counter only: too early to speak of delivery.`)];
  }
  const [low, high] = row.deliveryInterval95;
  const parts: Part[] = [
    text(
      `${title} delivered ${percentInWords(row.deliveryRatio)} of ${plural(row.expected - row.missedNotRecorded, "counter")} (95\u202F% interval ${percentInWords(low)} to ${percentInWords(high)})`,
    ),
  ];
  if (row.missed > 0) {
    const outage =
      row.missedDuringOutage > 0 ? `, ${row.missedDuringOutage} of them while no gateway was reachable` : "";
    const unknown = row.missedNotRecorded > 0 ? `, ${row.missedNotRecorded} of them not recorded` : "";
    parts.push(text(`; ${row.missed} missed in ${plural(gaps, "gap")}${outage}${unknown}`));
  }
  if (row.overdue) parts.push(text("; it is overdue: "), text(row.clause));
  if (row.why != null) parts.push(text(": "), link(row.why.words, `#/gaps?node=${row.devAddr}`));
  parts.push(text("."));
  return parts;
}
