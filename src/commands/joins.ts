/** `mastlog joins`: devices that ask to join, and what became of it. */
import { Command } from "commander";
import { joinsView } from "../views/joins.ts";
import { askedWindow } from "../views/window.ts";
import { guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { print, printJson, sentenceText, table } from "./view-output.ts";

export function joinsCommand(): Command {
  return withViewOptions(
    new Command("joins").description("devices that ask to join, and what became of it"),
  ).action((given: unknown) =>
    guarded(() => {
      const options = readViewOptions(given);
      withReader(options.db, (store) => {
        const view = joinsView(store, askedWindow(store, options, Date.now() * 1000));
        if (options.json) return printJson(view);
        print(`${sentenceText(view.sentence)}\n`);
        if (view.joins.length === 0) return;
        const rows = table(view.joins, [
          { title: "DevEUI", of: ({ devEui }) => devEui },
          { title: "JoinEUI", of: ({ joinEui }) => joinEui ?? "\u2013" },
          { title: "first request", of: ({ firstHeard }) => firstHeard },
          { title: "last request", of: ({ lastHeard }) => lastHeard },
          { title: "", of: ({ clause }) => clause },
        ]);
        print(`\n${rows}\n`);
      });
    }),
  );
}
