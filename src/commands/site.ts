/** `mastlog site`: what the Site view opens with. */
import { Command } from "commander";
import { storedSpanUs } from "../store/queries/lives.ts";
import { siteView } from "../views/site.ts";
import { resolveWindow } from "../views/window.ts";
import { guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { printJson, table } from "./view-output.ts";

export function siteCommand(): Command {
  return withViewOptions(
    new Command("site").description(
      "the site in five sentences: what is always so, what happened, what to do",
    ),
  ).action((given: unknown) =>
    guarded(() => {
      const options = readViewOptions(given);
      withReader(options.db, (store) => {
        const view = siteView(store, resolveWindow(options, Date.now() * 1000, storedSpanUs(store)));
        if (options.json) return printJson(view);
        process.stdout.write(`${view.sentences.join("\n")}\n`);
        write("Always so", view.standing.map(({ sentence }) => sentence).join("\n"));
        write(
          `Events${view.eventsCut ? " (the 50 with most counters missed)" : ""}`,
          table(view.events, [
            { title: "from", of: ({ from }) => from },
            { title: "to", of: ({ to, open }) => (open ? "goes on" : to) },
            { title: "nodes", of: ({ nodes }) => String(nodes), right: true },
            { title: "gaps", of: ({ gaps }) => String(gaps), right: true },
            { title: "missed", of: ({ missedCounters }) => String(missedCounters), right: true },
            { title: "cause", of: ({ cause }) => cause },
            { title: "", of: ({ sentence }) => sentence },
          ]),
        );
        write("To do", view.toDo.map((step, i) => `${i + 1}. ${step}`).join("\n"));
      });
    }),
  );
}

function write(title: string, text: string): void {
  if (text !== "") process.stdout.write(`\n${title}\n${text}\n`);
}
