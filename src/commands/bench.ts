/** `mastlog bench GATEWAY-EUI`: the check list of one gateway on the bench, now or once it can be judged. */
import { setTimeout as sleep } from "node:timers/promises";
import { Argument, Command, Option } from "commander";
import { type BenchView, type ReceiverView, SerialText } from "../contract/index.ts";
import { isSettled } from "../diagnosis/bench/judge.ts";
import { REFERENCE_LIMITS } from "../diagnosis/bench/reference.ts";
import { isoTime } from "../model/time-range.ts";
import { type PlanChoice, planChoice, planLabels } from "../radio/regions/plan-choice.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import type { Store } from "../store/open.ts";
import { openReaderOfNow } from "../store/service-claim.ts";
import { StoreUnusable } from "../store/store-error.ts";
import { benchRow, benchTable, benchView, knownGateways } from "../views/bench.ts";
import { receiverView } from "../views/receiver.ts";
import { type Reference, referenceSet } from "../views/trials/trials.ts";
import type { AskedWindow } from "../views/window.ts";
import { plural } from "../words/format.ts";
import { benchText, briefText, NOT_PASSED, receiverText, tableText, unknownText } from "./bench-text.ts";
import {
  CannotRun,
  guarded,
  overWindow,
  ownPlansGiven,
  plansOption,
  readEui,
  readSeconds,
  readViewOptions,
  type ViewOptions,
  windowGiven,
  withReader,
  withViewOptions,
} from "./options.ts";
import { complain, print, printJson } from "./terminal.ts";
import { enter } from "./user-data.ts";

const BETWEEN_LOOKS_MS = 1_000;
/** Seconds of the past that a waiting bench looks at, unless set otherwise. */
const WAITING_LOOKS_BACK_SECONDS = 3_600;

export function benchCommand(): Command {
  return withViewOptions(
    new Command("bench")
      .description(
        "bring-up check list of one gateway, or a table of all; exit code 1 when a check fails or a known gateway sent nothing",
      )
      .addArgument(new Argument("[gateway-eui]", "identifier of the gateway, 16 hex digits")),
  )
    .option("--all", "a table of all gateways with verdict and first fault")
    .option("--brief", "one line a gateway: verdict, serial number, first fault, signed off")
    .option(
      "--expect <region/sub-band>",
      `the channel plan that it must listen to, or one of --plans: ${planLabels()}`,
    )
    .addOption(new Option("--wait <time>", "wait until all can be judged, at most so long: 60s, 5m"))
    .option(
      "--reference <gateway-eui>",
      "a known good gateway beside it, heard at the same time (default: the one set on the Bench page, if any)",
    )
    .option("--no-reference", "measure against none")
    .option(
      "--max-offset <dB>",
      `level that it may differ from the reference by (default: as set on the Bench page, else ${REFERENCE_LIMITS.offsetDb})`,
    )
    .option(
      "--max-loss <points>",
      `points of frames that it may lose more than the reference (default: as set, else ${REFERENCE_LIMITS.loss * 100})`,
    )
    .option("--receiver", "also measure its receiver: down to which SNR it demodulates, from traffic")
    .option("--serial <text>", "note its serial number or work order; an empty text takes it back")
    .option("--sign-off", "sign it off as of now, where every check passes")
    .option("--anyway", "with --sign-off: also where a check fails, is to be looked at or is open")
    .option("--take-back", "take the signing off back")
    .addOption(plansOption())
    .action((gateway: string | undefined, given: BenchGiven) =>
      guarded(() => {
        const options = readViewOptions(given);
        const ownPlans = ownPlansGiven(given);
        const expected = readExpected(given.expect, ownPlans);
        if (given.all === true) {
          refuseWithAll(gateway, given);
          return printTable(options, { ownPlans, expected }, given.brief === true);
        }
        if (gateway === undefined)
          throw new CannotRun("Give the identifier of a gateway, or --all for a table of all.");
        const eui = readEui(gateway);
        return printOne({ eui, options, ownPlans, expected, reference: readReference(given, eui) }, given);
      }),
    );
}

function refuseWithAll(gateway: string | undefined, given: BenchGiven): void {
  if (gateway !== undefined) throw new CannotRun("--all takes no gateway: it shows every one.");
  if (given.wait !== undefined) throw new CannotRun("--wait takes one gateway, not --all.");
  if (given.receiver === true) throw new CannotRun("--receiver takes one gateway, not --all.");
  if (isNoted(given))
    throw new CannotRun("--serial, --sign-off and --take-back take one gateway, not --all.");
}

/** Prints the list of one gateway, notes what was asked for, and sets exit code 1 where something fails. */
async function printOne(question: Question, given: BenchGiven): Promise<void> {
  const { db, json } = question.options;
  const serial = readSerial(given);
  const seen =
    given.wait === undefined ? look(question) : await waitFor(question, readSeconds("--wait", given.wait));
  const view = noted(seen, given, serial, db);
  const receiver = given.receiver === true ? receiverOf(question, view) : null;
  if (json) printJson(receiver === null ? view : { ...view, receiver });
  else if (given.brief === true) print(`${briefText([benchRow(view)])}\n`);
  else print(`${[benchText(view), ...(receiver === null ? [] : [receiverText(receiver)])].join("\n\n")}\n`);
  if (given.signOff === true && view.signedOff === null) {
    complain(`Not signed off: ${NOT_PASSED[view.verdict]}. With --anyway it is.\n`);
    process.exitCode = 1;
  }
  // Silent in all of the window is bad too, recorded or not.
  const isSilent = view.feed.length === 0;
  if (isSilent || view.items.some(({ state }) => state === "fail")) process.exitCode = 1;
}

/** The plan of that name; throws with all names when there is none. */
function readExpected(label: string | undefined, ownPlans: readonly RegionPlan[]): PlanChoice | null {
  if (label === undefined) return null;
  const choice = planChoice(label, ownPlans);
  if (choice === null)
    throw new CannotRun(`--expect knows no plan "${label}"; it takes one of ${planLabels(ownPlans)}.`);
  return choice;
}

function printTable(
  options: ViewOptions,
  given: { readonly ownPlans: readonly RegionPlan[]; readonly expected: PlanChoice | null },
  isBrief: boolean,
): void {
  const view = overWindow(options, (store, window) => benchTable(store, window, given));
  if (options.json) printJson(view);
  else print(`${isBrief ? briefText(view.gateways) : tableText(view)}\n`);
  if (view.gateways.some(({ verdict }) => verdict === "fail")) process.exitCode = 1;
}

interface Question {
  readonly eui: string;
  readonly options: ViewOptions;
  readonly expected: PlanChoice | null;
  readonly ownPlans: readonly RegionPlan[];
  readonly reference: AskedReference;
}

/** What the command line says; what it leaves out is as set for the bench. False: measure against none. */
type AskedReference =
  | false
  | { readonly eui: string | null; readonly offsetDb: number | null; readonly loss: number | null };

function isNoted({ serial, signOff, takeBack }: BenchGiven): boolean {
  return serial !== undefined || signOff === true || takeBack === true;
}

/** null: it is taken back; undefined: it stays. */
function readSerial({ serial, signOff, anyway, takeBack }: BenchGiven): string | null | undefined {
  if (signOff === true && takeBack === true)
    throw new CannotRun("--sign-off and --take-back exclude each other.");
  if (anyway === true && signOff !== true) throw new CannotRun("--anyway needs --sign-off.");
  if (serial === undefined) return undefined;
  const text = SerialText.safeParse(serial);
  if (!text.success) throw new CannotRun("--serial takes one line of plain text of at most 80 characters.");
  return text.data === "" ? null : text.data;
}

/** Writes what a person notes of the gateway, and returns the list with it. What did not pass is signed off only when asked. */
function noted(
  view: BenchView,
  given: BenchGiven,
  serial: string | null | undefined,
  dbPath: string,
): BenchView {
  const isSigned = given.signOff === true && (view.verdict === "pass" || given.anyway === true);
  const signedOffUs = isSigned ? Date.now() * 1000 : given.takeBack === true ? null : undefined;
  if (serial === undefined && signedOffUs === undefined) return view;
  enter(dbPath, { entity: "bench-record", change: { eui: view.eui, serial, signedOffUs } });
  return {
    ...view,
    ...(serial === undefined ? {} : { serial }),
    ...(signedOffUs === undefined ? {} : { signedOff: signedOffUs === null ? null : isoTime(signedOffUs) }),
  };
}

interface BenchGiven {
  readonly serial?: string;
  readonly signOff?: boolean;
  readonly anyway?: boolean;
  readonly takeBack?: boolean;
  readonly all?: boolean;
  readonly brief?: boolean;
  readonly expect?: string;
  readonly receiver?: boolean;
  readonly wait?: string;
  readonly reference?: string | false;
  readonly maxOffset?: string;
  readonly maxLoss?: string;
}

function readReference({ reference, maxOffset, maxLoss }: BenchGiven, eui: string): AskedReference {
  if (reference === false) return false;
  const known = reference === undefined ? null : readEui(reference);
  if (known === eui) throw new CannotRun("A gateway cannot be its own reference.");
  const offsetDb = maxOffset === undefined ? null : Number(maxOffset);
  const points = maxLoss === undefined ? null : Number(maxLoss);
  if (offsetDb !== null && !(offsetDb > 0 && offsetDb <= 60))
    throw new CannotRun("--max-offset takes dB, above 0 to 60.");
  if (points !== null && !(points >= 0 && points <= 100))
    throw new CannotRun("--max-loss takes points, 0 to 100.");
  return { eui: known, offsetDb, loss: points === null ? null : points / 100 };
}

/** The list, with what the reference says of the gateway. */
function benched(
  store: Store,
  window: AskedWindow,
  { eui, ownPlans, expected, reference }: Question,
): BenchView | null {
  return benchView(store, window, eui, { ownPlans, expected, reference: referenceOf(store, reference) });
}

/** What was asked for, filled up with what was set for the bench. Throws when limits are given and nothing to limit. */
function referenceOf(store: Store, asked: AskedReference): Reference | null {
  if (asked === false) return null;
  const set = referenceSet(store);
  const eui = asked.eui ?? set?.eui ?? null;
  if (eui === null) {
    if (asked.offsetDb === null && asked.loss === null) return null;
    throw new CannotRun("--max-offset and --max-loss need --reference: no reference is set for this bench.");
  }
  if (asked.eui !== null && !knownGateways(store).includes(eui)) throw unknown(store, eui);
  const limits = set?.limits ?? REFERENCE_LIMITS;
  return {
    eui,
    limits: { offsetDb: asked.offsetDb ?? limits.offsetDb, loss: asked.loss ?? limits.loss },
  };
}

function look(question: Question): BenchView {
  const { eui, options } = question;
  return overWindow(options, (store, window) => {
    const view = benched(store, window, question);
    if (view === null) throw unknown(store, eui);
    return view;
  });
}

/** The receiver over the window that the list looked at. */
function receiverOf({ eui, options, reference }: Question, { window }: BenchView): ReceiverView | null {
  return withReader(options.db, (store) =>
    receiverView(store, windowGiven(store, window), eui, referenceOf(store, reference)?.eui ?? null),
  );
}

/** Looks once a second at what a running service writes, until no check awaits anything or the time is over. */
async function waitFor(question: Question, seconds: number): Promise<BenchView> {
  const { eui, options } = question;
  const endMs = performance.now() + seconds * 1000;
  const bounds =
    options.from === undefined && options.to === undefined
      ? { last: Math.max(WAITING_LOOKS_BACK_SECONDS, seconds) }
      : options;
  for (;;) {
    const isOver = performance.now() >= endMs;
    const store = openWhenThere(options.db, isOver);
    try {
      const view = store === null ? null : benched(store, windowGiven(store, bounds), question);
      if (view !== null && (isOver || isSettled(view.items))) return view;
      if (isOver && store !== null) throw unknown(store, eui);
      showProgress(view);
    } finally {
      store?.close();
    }
    await sleep(Math.max(0, Math.min(BETWEEN_LOOKS_MS, endMs - performance.now())));
  }
}

/** null: there is no store yet, and a service may still make one. */
function openWhenThere(path: string, isOver: boolean): Store | null {
  try {
    return openReaderOfNow(path);
  } catch (error) {
    if (error instanceof StoreUnusable && !isOver) return null;
    throw error;
  }
}

function showProgress(view: BenchView | null): void {
  if (!process.stderr.isTTY) return;
  const open = view?.items.filter(({ awaits }) => awaits !== null).length ?? null;
  process.stderr.write(
    `\r\u001b[Kwaiting: ${open === null ? "nothing from this gateway yet" : `${plural(open, "check")} still open`}`,
  );
}

function unknown(store: Store, eui: string): CannotRun {
  return new CannotRun(unknownText(eui, knownGateways(store)));
}
