/** `mastlog report`: the printable report of a window, as one HTML file. */
import { writeFileSync } from "node:fs";
import { Command } from "commander";
import { z } from "zod";
import { errorText } from "../model/fault.ts";
import { renderReport } from "../report/render.tsx";
import { reportData } from "../views/report.ts";
import {
  CannotRun,
  dbOption,
  guarded,
  ownPlansGiven,
  plansOption,
  readViewOptions,
  SITE_HELP,
  windowGiven,
  withReader,
} from "./options.ts";

const ReportOptions = z.object({
  output: z.string().optional(),
  zone: z.string().optional(),
  payloads: z.boolean().default(false),
});

const HELP = `
Payloads belong to the nodes' owners: a report with --payloads is not for everybody. Without it there are none.`;

export function reportCommand(version: string): Command {
  return new Command("report")
    .description("a printable report: one HTML file that needs nothing else, without keys")
    .option("-o, --output <file>", "the file to write (must be given)")
    .option("--from <time>", "begin of the window, ISO 8601 (default: all that is stored)")
    .option("--to <time>", "end of the window, ISO 8601")
    .option("--site <name>", SITE_HELP)
    .option(
      "--zone <name>",
      "time zone in which times are shown, e.g. Europe/Berlin (default: this machine's)",
    )
    .option("--payloads", "with what the newest frames hold, decrypted where keys are available; keys never")
    .addHelpText("after", HELP)
    .addOption(plansOption())
    .addOption(dbOption())
    .action((given: unknown) =>
      guarded(() => {
        const window = readViewOptions(given);
        const options = ReportOptions.parse(given);
        const { output } = options;
        if (output === undefined || output === "")
          throw new CannotRun("report takes the file to write: -o FILE.html.");
        const timeZone = knownZone(options.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone);
        const ownPlans = ownPlansGiven(given);
        const html = withReader(
          window.db,
          (store) => {
            const nowMs = Date.now();
            return renderReport(
              reportData(store, {
                window: windowGiven(store, window),
                timeZone,
                version,
                madeAt: new Date(nowMs).toISOString(),
                ownPlans,
                withPayloads: options.payloads,
              }),
            );
          },
          window.site,
        );
        write(output, html);
      }),
    );
}

function knownZone(name: string): string {
  try {
    return new Intl.DateTimeFormat("en-GB", { timeZone: name }).resolvedOptions().timeZone;
  } catch {
    throw new CannotRun(`--zone takes a time zone such as Europe/Berlin or UTC, not ${name}.`);
  }
}

function write(file: string, html: string): void {
  try {
    writeFileSync(file, html);
  } catch (error) {
    throw new CannotRun(`${file} cannot be written: ${errorText(error)}.`);
  }
}
