/** `mastlog check`: one line and an exit code for schedulers. */
import type { Command } from "commander";
import { z } from "zod";
import { type CheckState, judgeCheck } from "../diagnosis/check.ts";
import { THRESHOLDS } from "../diagnosis/status.ts";
import { siteHealth } from "../views/health.ts";
import { askedWindow } from "../views/window.ts";
import {
  CannotRun,
  guarded,
  readDevAddr,
  readEui,
  readSeconds,
  SITE_HELP,
  storeCommand,
  withReader,
} from "./options.ts";
import { print, printJson } from "./terminal.ts";

const EXIT_CODES: Readonly<Record<CheckState, number>> = { well: 0, "not-well": 1, "cannot-tell": 2 };

const HELP = `
Exit codes: 0 well; 1 not well; 2 cannot tell (too little was recorded or heard; also wrong usage or no store).
Only recorded time counts. Without --gateway and --node: all gateways, and all nodes but strangers. Without
--max-silence a gateway or node is silent when its own interval says so. Loss needs ${THRESHOLDS.leastExpected} counters in the window.

Every ten minutes from cron, which mails what is printed: nothing while all is well.
  */10 * * * * out=$(mastlog check --window 2h --max-loss 0.05 2>&1) || echo "$out"`;

interface Given {
  readonly gateway: readonly string[];
  readonly node: readonly string[];
  readonly maxLoss: string;
  readonly maxSilence?: string;
  readonly window: string;
  readonly site?: string;
  readonly db: string;
  readonly json?: boolean;
}

export function checkCommand(): Command {
  const collect = (text: string, before: readonly string[]) => [...before, text];
  return storeCommand("check", "one line and an exit code for schedulers: 0 well, 1 not well, 2 cannot tell")
    .option("--gateway <eui>", "this gateway; may be given again", collect, [])
    .option("--node <address>", "this node; may be given again", collect, [])
    .option("--max-loss <share>", "counters that a node may lose: 5% or 0.05", `${THRESHOLDS.badLoss * 100}%`)
    .option("--max-silence <time>", "silence that is allowed: 90s, 15m, 2h")
    .option("--window <time>", "how far back to look", "1h")
    .option("--site <name>", SITE_HELP)
    .addHelpText("after", HELP)
    .action((given: Given) => guarded(() => check(given)));
}

function check(given: Given): void {
  const question = {
    gateways: given.gateway.map(readEui),
    nodes: given.node.map(readDevAddr),
    maxLoss: readShare(given.maxLoss),
    maxSilenceSeconds: given.maxSilence === undefined ? null : readSeconds("--max-silence", given.maxSilence),
  };
  const last = readSeconds("--window", given.window);
  if (last === 0) throw new CannotRun("--window takes a time such as 1h.");
  const answer = withReader(
    given.db,
    (store) => {
      const window = askedWindow(store, { last }, Date.now() * 1000);
      return judgeCheck(siteHealth(store, window, question), question);
    },
    given.site,
  );
  if (given.json === true) printJson(answer);
  else print(`${answer.sentence}\n`);
  process.exitCode = EXIT_CODES[answer.state];
}

const Share = z.string().regex(/^\d{1,3}(\.\d+)?\s*%?$/);

function readShare(text: string): number {
  const share = Number.parseFloat(text) / (text.includes("%") ? 100 : 1);
  if (!Share.safeParse(text).success || share > 1)
    throw new CannotRun("--max-loss takes a share such as 5% or 0.05.");
  return share;
}
