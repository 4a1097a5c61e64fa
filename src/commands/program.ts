/** The command line of `mastlog`: its commands, what all of them share, and how a mistake is answered. */
import { readFileSync } from "node:fs";
import { Command, CommanderError } from "commander";
import { packageRoot } from "../store/upgrade.ts";
import { airCommand, capacityCommand } from "./air.ts";
import { airtimeCommand } from "./airtime.ts";
import { benchCommand } from "./bench.ts";
import { decodeCommand } from "./decode.ts";
import { exportCommand } from "./export.ts";
import { importCommand } from "./import.ts";
import { keepCommand } from "./keep.ts";
import { keysCommand } from "./keys.ts";
import { listenCommand, recordCommand } from "./listen.ts";
import { defaultStore, isCheckout, showDefaultStore } from "./options.ts";
import { placementsCommand, sitesCommand } from "./placements.ts";
import { reportCommand } from "./report.ts";
import { simulateCommand } from "./simulate.ts";
import { backupCommand, forgetCommand, rebuildCommand } from "./store-file.ts";
import { complain } from "./terminal.ts";
import { compareCommand, trialsCommand } from "./trials.ts";
import { unitCommand } from "./unit.ts";
import { marksCommand, positionsCommand } from "./user-data.ts";
import {
  checkCommand,
  gapsCommand,
  gatewaysCommand,
  joinsCommand,
  nodesCommand,
  siteCommand,
} from "./view-commands.ts";

const { version } = JSON.parse(readFileSync(new URL("package.json", packageRoot), "utf8")) as {
  version: string;
};

/** Parses the words of a command line and does what they ask; sets the exit code of the process. */
export async function runMastlog(words: readonly string[]): Promise<void> {
  try {
    await mastlog().parseAsync(words, { from: "user" });
  } catch (error) {
    if (!(error instanceof CommanderError)) throw error;
    // `mastlog` alone is a question for help, not an error to puzzle over: the help is on stderr already.
    if (error.exitCode !== 0 && error.code !== "commander.help") complain(`${sentenceOf(error)}\n`);
    process.exitCode = error.exitCode === 0 ? 0 : 2;
  }
}

function sentenceOf(error: CommanderError): string {
  // A suggestion comes on a line of its own; one sentence is promised.
  return `${error.message.replace(/^error: /, "").replace(/\s*\n\s*/g, " ")} (see --help)`;
}

function mastlog(): Command {
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
  return program;
}
