/** The program `mastlog`: parses the command line and hands over to one command. */
import { readFileSync } from "node:fs";
import { Command, CommanderError } from "commander";
import { airCommand } from "./commands/air.ts";
import { airtimeCommand } from "./commands/airtime.ts";
import { benchCommand } from "./commands/bench.ts";
import { capacityCommand } from "./commands/capacity.ts";
import { checkCommand } from "./commands/check.ts";
import { decodeCommand } from "./commands/decode.ts";
import { exportCommand } from "./commands/export.ts";
import { importCommand } from "./commands/import.ts";
import { keepCommand } from "./commands/keep.ts";
import { keysCommand } from "./commands/keys.ts";
import { listenCommand, recordCommand } from "./commands/listen.ts";
import { complain, showDefaultStore } from "./commands/options.ts";
import { placementsCommand } from "./commands/placements.ts";
import { reportCommand } from "./commands/report.ts";
import { simulateCommand } from "./commands/simulate.ts";
import { sitesCommand } from "./commands/sites.ts";
import { backupCommand, forgetCommand, rebuildCommand } from "./commands/store-file.ts";
import { defaultStore, isCheckout } from "./commands/store-place.ts";
import { compareCommand, trialsCommand } from "./commands/trials.ts";
import { unitCommand } from "./commands/unit.ts";
import { marksCommand, positionsCommand } from "./commands/user-data.ts";
import {
  gapsCommand,
  gatewaysCommand,
  joinsCommand,
  nodesCommand,
  siteCommand,
} from "./commands/view-commands.ts";
import { packageRoot } from "./store/open.ts";

const { version } = JSON.parse(readFileSync(new URL("package.json", packageRoot), "utf8")) as {
  version: string;
};

const program = new Command("mastlog")
  .description(
    "Hears what LoRaWAN gateways hear, and shows what was lost, where and how strong the rest was.",
  )
  .version(version)
  .addHelpText(
    "after",
    `\nThe store: --db FILE, else the environment variable MASTLOG_DB, else ${defaultStore()}${isCheckout ? " in the working folder" : ""}.
Exit codes: 0 success; 1 it ran and the answer is bad; 2 wrong usage or unreadable input.`,
  )
  .hook("preAction", (_, command) => showDefaultStore(command));
for (const command of [
  listenCommand(version),
  recordCommand(version),
  importCommand(),
  exportCommand(),
  siteCommand(),
  gatewaysCommand(),
  benchCommand(),
  checkCommand(),
  nodesCommand(),
  airCommand(),
  capacityCommand(),
  gapsCommand(),
  joinsCommand(),
  decodeCommand(),
  airtimeCommand(),
  reportCommand(version),
  simulateCommand(),
  keysCommand(),
  marksCommand(),
  placementsCommand(),
  positionsCommand(),
  sitesCommand(),
  trialsCommand(),
  compareCommand(),
  backupCommand(),
  keepCommand(),
  forgetCommand(),
  rebuildCommand(),
  unitCommand(),
]) {
  program.addCommand(command);
}
for (const command of [program, ...program.commands]) {
  command.exitOverride();
  // Of the library's own errors one plain sentence is made below; help and the commands' sentences go their way.
  command.configureOutput({ outputError: () => undefined });
}

// Whoever reads the output may have enough of it (`mastlog nodes | head`): that is no fault, and a service goes on.
for (const stream of [process.stdout, process.stderr]) {
  stream.on("error", (error: NodeJS.ErrnoException) => {
    if (error.code !== "EPIPE") throw error;
  });
}

try {
  await program.parseAsync();
} catch (error) {
  if (!(error instanceof CommanderError)) throw error;
  // `mastlog` alone is a question for help, not an error to puzzle over: the help is on stderr already.
  if (error.exitCode !== 0 && error.code !== "commander.help") complain(`${sentenceOf(error)}\n`);
  process.exitCode = error.exitCode === 0 ? 0 : 2;
}

function sentenceOf(error: CommanderError): string {
  // A suggestion comes on a line of its own; one sentence is promised.
  return `${error.message.replace(/^error: /, "").replace(/\s*\n\s*/g, " ")} (see --help)`;
}
