/** `mastlog trials`: how do all placements of a window compare, pair by pair? */
import { Command } from "commander";
import {
  type Interval,
  MAX_EFFECT_DAYS,
  type MarkEffect,
  type TrialAnswer,
  type TrialsView,
} from "../contract/trials.ts";
import { plainLine } from "../model/text.ts";
import { markEffect } from "../views/trials/mark-effect.ts";
import type { Side } from "../views/trials/sides.ts";
import { compareSides, sidesNamed, trialsView } from "../views/trials/trials.ts";
import { NOT_WRITTEN } from "../views/user-data.ts";
import { figure, probability } from "../words/format.ts";
import {
  CannotRun,
  dbOption,
  guarded,
  overWindow,
  readEui,
  readRowNumber,
  readViewOptions,
  SITE_HELP,
  viewAction,
  withReader,
  withViewOptions,
} from "./options.ts";
import { print, printJson, sentenceText, table } from "./terminal.ts";

// `mastlog compare A B`: which of two placements hears better, by how much, and is that enough to say?

const HELP = `
A and B are placements by name ('mastlog placements list'), or gateways by EUI, or antennas by EUI/number. Differences are
A minus B: level in dB, delivery as a share of frames. Exit code 1: not enough to say yet; 2: one was never heard.`;

export function compareCommand(): Command {
  return withViewOptions(
    new Command("compare")
      .description("compare two placements, gateways or antennas")
      .argument("<a>", "placement, EUI or EUI/antenna")
      .argument("<b>", "placement, EUI or EUI/antenna"),
  )
    .addHelpText("after", HELP)
    .action((a: string, b: string, given: unknown) =>
      guarded(() => {
        const options = readViewOptions(given);
        const answer = overWindow(options, (store, window) => {
          const found = compareSides(store, window, a, b);
          if (found === null) {
            const { one, sides } = sidesNamed(store, window, a, b);
            throw new CannotRun(unknownSide(one === null ? a : b, sides));
          }
          if (found.a.key === found.b.key) throw new CannotRun("A and B are the same; name two.");
          return found;
        });
        if (!answer.enough) process.exitCode = 1;
        if (options.json) return printJson(answer);
        print(`${answerText(answer)}\n`);
      }),
    );
}

function unknownSide(text: string, sides: readonly Side[]): string {
  const known = sides.slice(0, 6).map(({ view }) => (view.placed ? `"${view.name}"` : view.key));
  const list = known.length === 0 ? "Nothing was heard in this window." : `There are ${known.join(", ")}.`;
  return `No placement, gateway or antenna is called ${text} in this window. ${list}`;
}

export function answerText(answer: TrialAnswer): string {
  const parts = [
    sentenceText(answer.sentence),
    plainLine(answer.placeWords ?? ""),
    nodeTable(answer),
    answer.reservations.map((line) => `Note: ${plainLine(line)}`).join("\n"),
    answer.caution,
  ];
  return parts.filter((part) => part !== "").join("\n\n");
}

/** A line a node: what either side heard of it, and by how much they differ. */
export function nodeTable({
  a,
  b,
  nodes,
}: {
  readonly a: { readonly name: string };
  readonly b: { readonly name: string };
  readonly nodes: TrialAnswer["nodes"];
}): string {
  return table(nodes, [
    { title: "node", of: (node) => node.name ?? node.devAddr },
    { title: "sent", of: (node) => String(Math.max(node.a.expected, node.b.expected)), right: true },
    { title: a.name, of: (node) => String(node.a.heard), right: true },
    { title: b.name, of: (node) => String(node.b.heard), right: true },
    { title: "level dB", of: (node) => intervalText(node.snrDifferenceDb, 1), right: true },
    { title: "delivery points", of: (node) => intervalText(node.deliveryDifference, 100), right: true },
    { title: "how", of: (node) => node.methodWords },
  ]);
}

function intervalText({ estimate, low, high }: Interval, factor = 1, unit = ""): string {
  if (estimate === null) return "–";
  const of = (value: number) => figure(value * factor, 1);
  return low === null || high === null
    ? `${of(estimate)}${unit}`
    : `${of(estimate)}${unit} (${of(low)} to ${of(high)})`;
}

export function trialsCommand(): Command {
  return withViewOptions(
    new Command("trials").description("placements compared pair by pair, allowing for their number"),
  )
    .addHelpText("after", "\nOne pair in full: 'mastlog compare A B'.")
    .action(
      viewAction(
        (store, window) => trialsView(store, window, null),
        (view) => [
          sentenceText(view.sentence),
          trialTable(view),
          view.sidesLeftOut === 0
            ? ""
            : `${view.sidesLeftOut} more can be compared by name with 'mastlog compare'.`,
          view.answer?.caution ?? "",
        ],
      ),
    );
}

function trialTable({ sides, trials }: TrialsView): string {
  const nameOf = new Map(sides.map(({ key, name }) => [key, name]));
  return table(trials, [
    { title: "a", of: ({ a }) => nameOf.get(a) ?? a },
    { title: "b", of: ({ b }) => nameOf.get(b) ?? b },
    { title: "how", of: ({ paired }) => (paired ? "at once" : "one after the other") },
    { title: "level dB", of: (row) => intervalText(row.snrDifferenceDb), right: true },
    {
      title: "delivery points",
      of: (row) => intervalText(row.deliveryDifference, 100),
      right: true,
    },
    {
      title: "p, of all",
      of: ({ adjustedP }) => probability(adjustedP),
      right: true,
    },
    {
      title: "better",
      of: ({ verdict, a, b }) =>
        verdict === "a" || verdict === "b" ? (nameOf.get(verdict === "a" ? a : b) ?? "") : verdict,
    },
  ]);
}

// `mastlog marks effect NUMBER`: is it better since a mark? The time before it against the time after.

interface Given {
  readonly gateway?: string;
  readonly days?: string;
}

const EFFECT_HELP = `
The time before the mark is compared with as long a time after it, by node and hour of day, as far as was recorded. A
mark that lasted is compared before its begin and after its end. Differences are after less before. Exit code 1: not
enough to say yet; 2: there is no such mark or gateway.`;

export function effectCommand(): Command {
  return new Command("effect")
    .description("is it better since a mark? The time before compared with the time after")
    .argument("<number>", "its number, as 'marks list' shows it")
    .option(
      "--gateway <eui>",
      "one gateway, or 'all' together (default: the gateway that the mark is about, else all)",
    )
    .option("--days <days>", `at most so many days before and after (default: ${MAX_EFFECT_DAYS})`)
    .option("--site <name>", SITE_HELP)
    .addOption(dbOption())
    .option("--json", "print one JSON document")
    .addHelpText("after", EFFECT_HELP)
    .action((number: string, given: Given) =>
      guarded(() => {
        const { db, json, site } = readViewOptions(given);
        const mark = readRowNumber("mark", number);
        const days = given.days === undefined ? undefined : Number(given.days);
        if (days !== undefined && !(days > 0 && days <= MAX_EFFECT_DAYS))
          throw new CannotRun(`--days takes a number above 0, at most ${MAX_EFFECT_DAYS}.`);
        const gateway =
          given.gateway === undefined || given.gateway === "all" ? given.gateway : readEui(given.gateway);
        const effect = withReader(db, (store) => markEffect(store, mark, { gateway, days }), site);
        if (typeof effect === "string") throw new CannotRun(NOT_WRITTEN[effect]);
        if (!effect.enough) process.exitCode = 1;
        if (json) return printJson(effect);
        print(`${effectText(effect)}\n`);
      }),
    );
}

/** The answer as text: the sentence, what was compared, the nodes, what else changed. */
export function effectText(effect: MarkEffect): string {
  const { mark, gateways } = effect;
  const names = gateways.map(({ eui, name }) => name ?? eui).join(", ");
  const parts = [
    sentenceText(effect.sentence),
    plainLine(
      `Mark ${mark.id}, ${mark.at}${mark.until === null ? "" : ` to ${mark.until}`}. ${effect.lengthWords}${names === "" ? "" : ` Heard by ${names}.`}`,
    ),
    nodeTable(effect),
    effect.reservations.map((line) => `Note: ${plainLine(line)}`).join("\n"),
    effect.caution,
  ];
  return parts.filter((part) => part !== "").join("\n\n");
}
