/** `mastlog trials`: how do all placements of a window compare, pair by pair? */
import { Command } from "commander";
import type { Interval, TrialAnswer } from "../contract/trials.ts";
import { plainLine } from "../model/plain-text.ts";
import type { Side } from "../views/trials/sides.ts";
import { compareSides, sidesNamed, trialsView } from "../views/trials/trials.ts";
import { askedWindow } from "../views/window.ts";
import { figure } from "../words/format.ts";
import { CannotRun, guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { print, printJson, sentenceText, table } from "./view-output.ts";

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
        const answer = withReader(
          options.db,
          (store) => {
            const window = askedWindow(store, options, Date.now() * 1000);
            const found = compareSides(store, window, a, b);
            if (found === null) {
              const { one, sides } = sidesNamed(store, window, a, b);
              throw new CannotRun(unknownSide(one === null ? a : b, sides));
            }
            if (found.a.key === found.b.key) throw new CannotRun("A and B are the same; name two.");
            return found;
          },
          options.site,
        );
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
    .action((given: unknown) =>
      guarded(() => {
        const options = readViewOptions(given);
        withReader(
          options.db,
          (store) => {
            const window = askedWindow(store, options, Date.now() * 1000);
            const view = trialsView(store, window, null);
            if (options.json) return printJson(view);
            const nameOf = new Map(view.sides.map(({ key, name }) => [key, name]));
            const rows = table(view.trials, [
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
                of: ({ adjustedP }) =>
                  adjustedP === null ? "–" : adjustedP < 0.001 ? "<0.001" : adjustedP.toFixed(3),
                right: true,
              },
              {
                title: "better",
                of: ({ verdict, a, b }) =>
                  verdict === "a" || verdict === "b" ? (nameOf.get(verdict === "a" ? a : b) ?? "") : verdict,
              },
            ]);
            const left =
              view.sidesLeftOut === 0
                ? ""
                : `${view.sidesLeftOut} more can be compared by name with 'mastlog compare'.`;
            const parts = [sentenceText(view.sentence), rows, left, view.answer?.caution ?? ""];
            print(`${parts.filter((part) => part !== "").join("\n\n")}\n`);
          },
          options.site,
        );
      }),
    );
}
