/** `mastlog nodes`, `gaps`, `gateways`, `joins`, `site` and `check`: what the views of these names show. */
import { Command } from "commander";
import { z } from "zod";
import type { GatewayRow } from "../contract/gateways.ts";
import type { DropoutRow, NodeRow } from "../contract/index.ts";
import { type CheckState, judgeCheck } from "../diagnosis/check.ts";
import { gatewaysSentence } from "../diagnosis/sentences.ts";
import { THRESHOLDS } from "../diagnosis/status.ts";
import { plainLine } from "../model/text.ts";
import { gapsView } from "../views/gaps.ts";
import { gatewaysView } from "../views/gateways.ts";
import { siteHealth } from "../views/health.ts";
import { joinsView } from "../views/joins.ts";
import { nodesView } from "../views/nodes.ts";
import { siteView } from "../views/site.ts";
import { askedWindow } from "../views/window.ts";
import { CAUSES, confidenceText } from "../words/causes.ts";
import { duration, figure, percent } from "../words/format.ts";
import {
  CannotRun,
  guarded,
  ownPlansGiven,
  plansOption,
  readDevAddr,
  readEui,
  readSeconds,
  SITE_HELP,
  storeCommand,
  viewAction,
  withReader,
  withViewOptions,
} from "./options.ts";
import { print, printJson, sentenceText, table, titled } from "./terminal.ts";

export function nodesCommand(): Command {
  return withViewOptions(
    new Command("nodes").description("nodes heard: delivery by counters, signal, rhythm, airtime"),
  ).action(
    viewAction(
      nodesView,
      ({ sentence, nodes }) => [
        sentenceText(sentence),
        nodeTable(nodes.filter((node) => !node.stranger)),
        titled("Strangers", nodeTable(nodes.filter((node) => node.stranger))),
      ],
      "hours",
    ),
  );
}

function nodeTable(nodes: readonly NodeRow[]): string {
  return table(nodes, [
    { title: "address", of: (node) => node.devAddr },
    { title: "life", of: (node) => String(node.life), right: true },
    { title: "name", of: (node) => node.name ?? "" },
    { title: "heard", of: (node) => String(node.heard), right: true },
    { title: "missed", of: (node) => String(node.missed), right: true },
    { title: "outage", of: (node) => String(node.missedDuringOutage), right: true },
    {
      title: "delivery",
      of: (node) => percent(node.deliveryRatio),
      right: true,
    },
    { title: "rssi dBm", of: (node) => figure(node.rssiDbm.median, 1), right: true },
    { title: "snr dB", of: (node) => figure(node.snrDb.median, 1), right: true },
    { title: "margin dB", of: (node) => figure(node.marginDb.median, 1), right: true },
    {
      title: "rhythm",
      of: (node) => (node.rhythmSeconds === null ? "–" : duration(node.rhythmSeconds)),
      right: true,
    },
    { title: "last heard", of: (node) => node.lastHeard },
    { title: "", of: (node) => `${node.clause}${node.why == null ? "" : `: ${node.why.words}`}` },
  ]);
}

export function gapsCommand(): Command {
  return withViewOptions(
    new Command("gaps").description("dropouts: what was missed, when, by whom, and why, with the evidence"),
  )
    .option(
      "--fail-on <causes>",
      `exit code 1 when a gap of your own nodes has one of these causes (comma between): ${[...CAUSES, "unexplained"].join(", ")}`,
    )
    .action(
      viewAction(
        (store, window, { failOn }: { readonly failOn?: string }) => {
          const causes = readCauses(failOn);
          const view = gapsView(store, window);
          if (causes.some((cause) => (view.counts.own.byCause[cause] ?? 0) > 0)) process.exitCode = 1;
          return view;
        },
        ({ sentence, episodes, gaps }) => [
          [
            sentenceText(sentence),
            ...episodes.map(({ finding, from }) => `${from}  ${plainLine(finding.sentence)}`),
          ].join("\n"),
          gapTable(gaps),
        ],
        "hours",
      ),
    );
}

/** Causes of a comma list; throws CannotRun with one sentence. */
function readCauses(text = ""): string[] {
  const causes = text
    .split(",")
    .map((word) => word.trim())
    .filter((word) => word !== "");
  const known: readonly string[] = [...CAUSES, "unexplained"];
  const unknown = causes.find((cause) => !known.includes(cause));
  if (unknown !== undefined)
    throw new CannotRun(`--fail-on knows no cause "${unknown}"; it takes ${known.join(", ")}.`);
  return causes;
}

function gapTable(gaps: readonly DropoutRow[]): string {
  return table(gaps, [
    { title: "address", of: (gap) => gap.devAddr },
    { title: "life", of: (gap) => String(gap.life), right: true },
    { title: "name", of: (gap) => gap.name ?? "" },
    { title: "from", of: (gap) => gap.from },
    {
      title: "length",
      of: (gap) =>
        `${duration((Date.parse(gap.to) - Date.parse(gap.from)) / 1e3)}${gap.open ? ", still going on" : ""}`,
    },
    { title: "missed", of: (gap) => String(gap.missedCounters), right: true },
    { title: "cause", of: (gap) => gap.finding.cause },
    {
      title: "sure",
      of: ({ finding }) => (finding.cause === "unexplained" ? "\u2013" : confidenceText(finding.confidence)),
      right: true,
    },
    { title: "", of: (gap) => `${gap.finding.sentence}${markWords(gap)}` },
  ]);
}

function markWords({ mark }: DropoutRow): string {
  return mark == null ? "" : ` Begins at the mark "${mark.text}".`;
}

export function gatewaysCommand(): Command {
  return withViewOptions(
    new Command("gateways").description("gateways heard: keepalives, outages, restarts, region, refusals"),
  )
    .addOption(plansOption())
    .action(
      viewAction(
        (store, window, given: unknown) => gatewaysView(store, window, ownPlansGiven(given)),
        ({ gateways, moreGateways }, window) => [
          sentenceText(gatewaysSentence(gateways, window)),
          gatewayTable(gateways),
          moreGateways > 0 ? `${moreGateways} more gateways were heard and are not listed.` : "",
          eventLines(gateways),
        ],
        "sums",
      ),
    );
}

function gatewayTable(gateways: readonly GatewayRow[]): string {
  return table(gateways, [
    { title: "gateway", of: (gateway) => gateway.eui },
    { title: "name", of: (gateway) => gateway.name ?? "" },
    { title: "receptions", of: (gateway) => String(gateway.receptions), right: true },
    { title: "crc bad", of: (gateway) => String(gateway.crcBad), right: true },
    { title: "keepalive s", of: (gateway) => figure(gateway.keepaliveSeconds, 1), right: true },
    { title: "outages", of: (gateway) => String(gateway.outages.length), right: true },
    { title: "restarts", of: (gateway) => String(gateway.restarts), right: true },
    { title: "drift ppm", of: (gateway) => figure(gateway.clockDriftPpm, 2), right: true },
    { title: "region", of: (gateway) => gateway.region.name ?? "–" },
    {
      title: "refused",
      of: ({ rejected }) => String(Object.values(rejected).reduce((a, b) => a + b, 0)),
      right: true,
    },
    { title: "downlinks", of: ({ downlinks }) => String(downlinks?.asked ?? "–"), right: true },
    { title: "late", of: ({ downlinks }) => percent(downlinks?.lateShare), right: true },
    {
      title: "answer ms",
      of: ({ downlinks }) => figure(downlinks?.push.medianMs ?? null, 1),
      right: true,
    },
    { title: "last heard", of: (gateway) => gateway.lastHeard },
    { title: "", of: (gateway) => gateway.clause },
  ]);
}

/** One line for each event of a gateway: when, how sure, what, and the next step. */
function eventLines(gateways: readonly GatewayRow[]): string {
  return gateways
    .flatMap(({ events }) =>
      events.map(
        ({ from, to, open, word, sentence, advice }) =>
          `${from} to ${open ? "now" : to}, ${word}: ${sentence} Next: ${advice}`,
      ),
    )
    .join("\n");
}

export function joinsCommand(): Command {
  return withViewOptions(
    new Command("joins").description("devices that ask to join, and what became of it"),
  ).action(
    viewAction(joinsView, ({ sentence, joins }) => [
      sentenceText(sentence),
      table(joins, [
        { title: "DevEUI", of: ({ devEui }) => devEui },
        { title: "JoinEUI", of: ({ joinEui }) => joinEui ?? "\u2013" },
        { title: "first request", of: ({ firstHeard }) => firstHeard },
        { title: "last request", of: ({ lastHeard }) => lastHeard },
        { title: "", of: ({ clause }) => clause },
      ]),
    ]),
  );
}

export function siteCommand(): Command {
  return withViewOptions(
    new Command("site").description(
      "the site in five sentences: what always holds, what happened, what to do",
    ),
  ).action(
    viewAction(
      (store, window) => siteView(store, window),
      ({ sentences, standing, events, eventsCut, toDo }) => [
        sentences.join("\n"),
        titled("Always so", standing.map(({ sentence }) => sentence).join("\n")),
        titled(
          `Events${eventsCut ? " (the 50 with most counters missed)" : ""}`,
          table(events, [
            { title: "from", of: ({ from }) => from },
            { title: "to", of: ({ to, open }) => (open ? "still going on" : to) },
            { title: "nodes", of: ({ nodes }) => String(nodes), right: true },
            { title: "gaps", of: ({ gaps }) => String(gaps), right: true },
            { title: "missed", of: ({ missedCounters }) => String(missedCounters), right: true },
            { title: "cause", of: ({ cause }) => cause },
            { title: "", of: ({ sentence }) => sentence },
          ]),
        ),
        titled("To do", toDo.map((step, i) => `${i + 1}. ${step}`).join("\n")),
      ],
      "site",
    ),
  );
}

// `mastlog check`: one line and an exit code for schedulers.

const EXIT_CODES: Readonly<Record<CheckState, number>> = { well: 0, "not-well": 1, "cannot-tell": 2 };

const HELP = `
Exit codes: 0 well; 1 not well; 2 cannot tell (too little was recorded or heard; also wrong usage or no store).
Only recorded time counts. Without --gateway and --node: all gateways, and all nodes but strangers. Without
--max-silence a gateway or node is silent when its own interval says so. Loss needs ${THRESHOLDS.leastExpected} counters in the window.

Every ten minutes from cron, which mails what is printed: nothing while all is well.
  */10 * * * * out=$(mastlog check --window 2h --max-loss 0.05 2>&1) || echo "$out"`;

interface Given {
  readonly gateway: readonly string[];
  readonly node: readonly string[];
  readonly maxLoss: string;
  readonly maxSilence?: string;
  readonly window: string;
  readonly site?: string;
  readonly db: string;
  readonly json?: boolean;
}

export function checkCommand(): Command {
  const collect = (text: string, before: readonly string[]) => [...before, text];
  return storeCommand("check", "one line and an exit code for schedulers: 0 well, 1 not well, 2 cannot tell")
    .option("--gateway <eui>", "this gateway; may be given again", collect, [])
    .option("--node <address>", "this node; may be given again", collect, [])
    .option("--max-loss <share>", "counters that a node may lose: 5% or 0.05", `${THRESHOLDS.badLoss * 100}%`)
    .option("--max-silence <time>", "silence that is allowed: 90s, 15m, 2h")
    .option("--window <time>", "how far back to look", "1h")
    .option("--site <name>", SITE_HELP)
    .addHelpText("after", HELP)
    .action((given: Given) => guarded(() => check(given)));
}

function check(given: Given): void {
  const question = {
    gateways: given.gateway.map(readEui),
    nodes: given.node.map(readDevAddr),
    maxLoss: readShare(given.maxLoss),
    maxSilenceSeconds: given.maxSilence === undefined ? null : readSeconds("--max-silence", given.maxSilence),
  };
  const last = readSeconds("--window", given.window);
  if (last === 0) throw new CannotRun("--window takes a time such as 1h.");
  const answer = withReader(
    given.db,
    (store) => {
      const window = askedWindow(store, { last }, Date.now() * 1000);
      return judgeCheck(siteHealth(store, window, question), question);
    },
    given.site,
  );
  if (given.json === true) printJson(answer);
  else print(`${answer.sentence}\n`);
  process.exitCode = EXIT_CODES[answer.state];
}

const Share = z.string().regex(/^\d{1,3}(\.\d+)?\s*%?$/);

function readShare(text: string): number {
  const share = Number.parseFloat(text) / (text.includes("%") ? 100 : 1);
  if (!Share.safeParse(text).success || share > 1)
    throw new CannotRun("--max-loss takes a share such as 5% or 0.05.");
  return share;
}
