/** `mastlog trials`: how do all placements of a window compare, pair by pair? */
import { Command } from "commander";
import { trialsView } from "../views/trials/trials-view.ts";
import { askedWindow } from "../views/window.ts";
import { intervalText } from "./compare.ts";
import { guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { print, printJson, sentenceText, table } from "./view-output.ts";

export function trialsCommand(): Command {
  return withViewOptions(
    new Command("trials").description("placements compared pair by pair, allowing for their number"),
  )
    .addHelpText("after", "\nOne pair in full: 'mastlog compare A B'.")
    .action((given: unknown) =>
      guarded(() => {
        const options = readViewOptions(given);
        withReader(options.db, (store) => {
          const window = askedWindow(store, options, Date.now() * 1000);
          const view = trialsView(store, window, null);
          if (options.json) return printJson(view);
          const nameOf = new Map(view.sides.map(({ key, name }) => [key, name]));
          const rows = table(view.trials, [
            { title: "a", of: ({ a }) => nameOf.get(a) ?? a },
            { title: "b", of: ({ b }) => nameOf.get(b) ?? b },
            { title: "how", of: ({ paired }) => (paired ? "at once" : "one after the other") },
            { title: "level dB", of: (row) => intervalText(row.snrDifferenceDb), right: true },
            { title: "delivery points", of: (row) => intervalText(row.deliveryDifference, 100), right: true },
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
        });
      }),
    );
}
