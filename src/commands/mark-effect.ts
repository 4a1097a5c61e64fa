/** `mastlog marks effect NUMBER`: is it better since a mark? The time before it against the time after. */
import { Command } from "commander";
import { MAX_EFFECT_DAYS, type MarkEffect } from "../contract/mark-effect.ts";
import { plainLine } from "../model/plain-text.ts";
import { markEffect } from "../views/trials/mark-effect.ts";
import { NOT_WRITTEN } from "../views/user-data.ts";
import { CannotRun, dbOption, guarded, readEui, readViewOptions, SITE_HELP, withReader } from "./options.ts";
import { nodeTable } from "./trials.ts";
import { print, printJson, sentenceText } from "./view-output.ts";

interface Given {
  readonly gateway?: string;
  readonly days?: string;
}

const HELP = `
The time before the mark is compared with as long a time after it, by node and hour of day, as far as was recorded. A
mark that lasted is compared before its begin and after its end. Differences are after less before. Exit code 1: not
enough to say yet; 2: there is no such mark or gateway.`;

export function effectCommand(): Command {
  return new Command("effect")
    .description("is it better since a mark? The time before compared with the time after")
    .argument("<number>", "its number, as 'marks list' shows it")
    .option(
      "--gateway <eui>",
      "one gateway, or 'all' together (default: the gateway that the mark is about, else all)",
    )
    .option("--days <days>", `at most so many days before and after (default: ${MAX_EFFECT_DAYS})`)
    .option("--site <name>", SITE_HELP)
    .addOption(dbOption())
    .option("--json", "print one JSON document")
    .addHelpText("after", HELP)
    .action((number: string, given: Given) =>
      guarded(() => {
        const { db, json, site } = readViewOptions(given);
        if (!/^[1-9]\d{0,14}$/.test(number)) throw new CannotRun("A mark is named by its number.");
        const days = given.days === undefined ? undefined : Number(given.days);
        if (days !== undefined && !(days > 0 && days <= MAX_EFFECT_DAYS))
          throw new CannotRun(`--days takes a number above 0, at most ${MAX_EFFECT_DAYS}.`);
        const gateway =
          given.gateway === undefined || given.gateway === "all" ? given.gateway : readEui(given.gateway);
        const effect = withReader(db, (store) => markEffect(store, Number(number), { gateway, days }), site);
        if (typeof effect === "string") throw new CannotRun(NOT_WRITTEN[effect]);
        if (!effect.enough) process.exitCode = 1;
        if (json) return printJson(effect);
        print(`${effectText(effect)}\n`);
      }),
    );
}

/** The answer as text: the sentence, what was compared, the nodes, what else changed. */
export function effectText(effect: MarkEffect): string {
  const { mark, gateways } = effect;
  const names = gateways.map(({ eui, name }) => name ?? eui).join(", ");
  const parts = [
    sentenceText(effect.sentence),
    plainLine(
      `Mark ${mark.id}, ${mark.at}${mark.until === null ? "" : ` to ${mark.until}`}. ${effect.lengthWords}${names === "" ? "" : ` Heard by ${names}.`}`,
    ),
    nodeTable(effect),
    effect.reservations.map((line) => `Note: ${plainLine(line)}`).join("\n"),
    effect.caution,
  ];
  return parts.filter((part) => part !== "").join("\n\n");
}
