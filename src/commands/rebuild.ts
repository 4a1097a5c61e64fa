/** `mastlog rebuild`: derives frames, counters and loads again from the stored receptions. */
import { Command } from "commander";
import { judgeGap } from "../diagnosis/findings/judge-gap.ts";
import { openStore } from "../store/open.ts";
import { rebuild } from "../store/rebuild.ts";
import { type DbOptions, dbOption, guarded } from "./options.ts";
import { progressBar } from "./progress.ts";
import { print } from "./view-output.ts";

export function rebuildCommand(): Command {
  return new Command("rebuild")
    .description("derive frames, counters and loads again from the stored receptions (after an update)")
    .addOption(dbOption())
    .action((options: DbOptions) =>
      guarded(() => {
        const bar = progressBar("receptions");
        const db = openStore(options.db);
        try {
          const count = rebuild(db, (share) => bar.at(share), judgeGap);
          bar.stop();
          print(`${count.toLocaleString("en-GB")} receptions gone through.\n`);
        } finally {
          bar.stop();
          db.close();
        }
      }),
    );
}
