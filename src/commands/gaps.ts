/** `mastlog gaps`: what the Gaps view shows. */
import { Command } from "commander";
import type { DropoutRow } from "../contract/index.ts";
import { percent, span } from "../diagnosis/standing.ts";
import { plainLine } from "../model/plain-text.ts";
import { gapsView } from "../views/gaps.ts";
import { askedWindow } from "../views/window.ts";
import { guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { print, printJson, sentenceText, table } from "./view-output.ts";

export function gapsCommand(): Command {
  return withViewOptions(
    new Command("gaps").description("dropouts: what was missed, when, by whom, and why, with the evidence"),
  ).action((given: unknown) =>
    guarded(() => {
      const options = readViewOptions(given);
      withReader(options.db, (store) => {
        const view = gapsView(store, askedWindow(store, options, Date.now() * 1000));
        if (options.json) return printJson(view);
        print(`${sentenceText(view.sentence)}\n`);
        for (const { finding, from } of view.episodes) print(`${from}  ${plainLine(finding.sentence)}\n`);
        if (view.gaps.length > 0) print(`\n${gapTable(view.gaps)}\n`);
      });
    }),
  );
}

function gapTable(gaps: readonly DropoutRow[]): string {
  return table(gaps, [
    { title: "address", of: (gap) => gap.devAddr },
    { title: "life", of: (gap) => String(gap.life), right: true },
    { title: "name", of: (gap) => gap.name ?? "" },
    { title: "from", of: (gap) => gap.from },
    {
      title: "length",
      of: (gap) => `${span((Date.parse(gap.to) - Date.parse(gap.from)) / 1e3)}${gap.open ? ", goes on" : ""}`,
    },
    { title: "missed", of: (gap) => String(gap.missedCounters), right: true },
    { title: "cause", of: (gap) => gap.finding.cause },
    {
      title: "sure",
      of: ({ finding }) => (finding.cause === "unexplained" ? "\u2013" : percent(finding.confidence)),
      right: true,
    },
    { title: "", of: (gap) => `${gap.finding.sentence}${markWords(gap)}` },
  ]);
}

function markWords({ mark }: DropoutRow): string {
  return mark == null ? "" : ` Begins at the mark "${mark.text}".`;
}
