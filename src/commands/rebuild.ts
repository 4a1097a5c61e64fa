/** `mastlog rebuild`: derives frames, counters and loads again from the stored receptions. */
import { existsSync } from "node:fs";
import { Command } from "commander";
import { judgeGap } from "../diagnosis/findings/judge-gap.ts";
import { closeStore, openStore } from "../store/open.ts";
import { rebuildInSteps } from "../store/rebuild.ts";
import { interruptible } from "./interrupt.ts";
import { CannotRun, type DbOptions, dbOption, guarded } from "./options.ts";
import { progressBar } from "./progress.ts";
import { complain, print } from "./view-output.ts";

export function rebuildCommand(): Command {
  return new Command("rebuild")
    .description("derive frames, counters and loads again from the stored receptions (after an update)")
    .addOption(dbOption())
    .addHelpText("after", "\nStopped before its end (Ctrl-C), it leaves the store as it was.")
    .action((options: DbOptions) => guarded(() => rebuildStore(options.db)));
}

async function rebuildStore(path: string): Promise<void> {
  if (!existsSync(path)) throw new CannotRun(`There is no store ${path}. Name it with --db.`);
  let isStopped = false;
  const stop = () => {
    isStopped = true;
  };
  await interruptible(stop, async () => {
    const db = openStore(path);
    const bar = progressBar("receptions");
    const steps = rebuildInSteps(db, (share) => bar.at(share), judgeGap);
    try {
      while (!isStopped) {
        const step = steps.next();
        if (step.done === true) {
          bar.stop();
          print(`${step.value.toLocaleString("en-GB")} receptions gone through.\n`);
          return;
        }
        // Signals get their turn.
        await new Promise((resume) => setImmediate(resume));
      }
    } finally {
      // Undoes what is not complete.
      steps.return(0);
      bar.stop();
      const leftBeside = closeStore(db);
      if (leftBeside !== null) complain(`${leftBeside}\n`);
    }
  });
}
