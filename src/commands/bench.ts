/** `mastlog bench GATEWAY-EUI`: the check list of one gateway on the bench, now or once it can be judged. */
import { setTimeout as sleep } from "node:timers/promises";
import { Argument, Command, Option } from "commander";
import type {
  BenchItem,
  BenchRow,
  BenchState,
  BenchTable,
  BenchView,
  ReceiverView,
} from "../contract/index.ts";
import { SerialText } from "../contract/index.ts";
import { isSettled } from "../diagnosis/bench/judge.ts";
import { REFERENCE_LIMITS } from "../diagnosis/bench/reference.ts";
import { plainLine } from "../model/plain-text.ts";
import { isoTime } from "../model/time-range.ts";
import { type PlanChoice, planChoice, planLabels } from "../radio/regions/plan-choice.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { openReader, type Store, StoreUnusable } from "../store/open.ts";
import { benchRow, benchTable, benchView, knownGateways } from "../views/bench.ts";
import { receiverView } from "../views/receiver.ts";
import { type Reference, referenceSet } from "../views/trials/trials.ts";
import type { AskedWindow } from "../views/window.ts";
import { figure, listed } from "../words/format.ts";
import {
  CannotRun,
  complain,
  guarded,
  overWindow,
  ownPlansGiven,
  plansOption,
  print,
  printJson,
  readEui,
  readSeconds,
  readViewOptions,
  sentenceText,
  table,
  type ViewOptions,
  windowGiven,
  withReader,
  withViewOptions,
} from "./options.ts";

import { enter } from "./user-data.ts";

const BETWEEN_LOOKS_MS = 1_000;
/** Seconds of the past that a waiting bench looks at, unless set otherwise. */
const WAITING_LOOKS_BACK_SECONDS = 3_600;
/** Known identifiers that a sentence names. */
const MAX_NAMED = 5;

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
    .addOption(new Option("--wait <time>", "sit until all can be judged, for so long at most: 60s, 5m"))
    .option(
      "--reference <gateway-eui>",
      "a known good gateway beside it, heard at once (default: the one set on the Bench page, if any)",
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
      guarded(async () => {
        const options = readViewOptions(given);
        const ownPlans = ownPlansGiven(given);
        const expected = readExpected(given.expect, ownPlans);
        if (given.all === true) {
          if (gateway !== undefined) throw new CannotRun("--all takes no gateway: it shows every one.");
          if (given.wait !== undefined) throw new CannotRun("--wait takes one gateway, not --all.");
          if (given.receiver === true) throw new CannotRun("--receiver takes one gateway, not --all.");
          if (isNoted(given))
            throw new CannotRun("--serial, --sign-off and --take-back take one gateway, not --all.");
          return printTable(options, { ownPlans, expected }, given.brief === true);
        }
        if (gateway === undefined)
          throw new CannotRun("Give the identifier of a gateway, or --all for a table of all.");
        const eui = readEui(gateway);
        const question = {
          eui,
          options,
          ownPlans,
          expected,
          reference: readReference(given, eui),
        };
        const serial = readSerial(given);
        const seen =
          given.wait === undefined
            ? look(question)
            : await waitFor(question, readSeconds("--wait", given.wait));
        const view = noted(seen, given, serial, options.db);
        const receiver = given.receiver === true ? receiverOf(question, view) : null;
        if (options.json) printJson(receiver === null ? view : { ...view, receiver });
        else if (given.brief === true) print(`${briefText([benchRow(view)])}\n`);
        else
          print(
            `${[benchText(view), ...(receiver === null ? [] : [receiverText(receiver)])].join("\n\n")}\n`,
          );
        // Silent in all of the window is bad too, recorded or not.
        const isSilent = view.feed.length === 0;
        if (given.signOff === true && view.signedOff === null) {
          complain(`Not signed off: ${NOT_PASSED[view.verdict]}. With --anyway it is.\n`);
          process.exitCode = 1;
        }
        if (isSilent || view.items.some(({ state }) => state === "fail")) process.exitCode = 1;
      }),
    );
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

const NOT_PASSED: Readonly<Record<BenchView["verdict"], string>> = {
  pass: "every check passes",
  warn: "a check is to be looked at",
  waiting: "a check is open",
  fail: "a check fails",
};

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
  return benchView(store, window, eui, {
    ownPlans,
    expected,
    reference: referenceOf(store, reference),
  });
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
    return openReader(path);
  } catch (error) {
    if (error instanceof StoreUnusable && !isOver) return null;
    throw error;
  }
}

function showProgress(view: BenchView | null): void {
  if (!process.stderr.isTTY) return;
  const open = view?.items.filter(({ awaits }) => awaits !== null).length ?? null;
  process.stderr.write(
    `\r\u001b[Kwaiting: ${open === null ? "nothing from this gateway yet" : `${open} checks still open`}`,
  );
}

function unknown(store: Store, eui: string): CannotRun {
  const known = knownGateways(store);
  const named = known.slice(0, MAX_NAMED);
  const more = known.length > named.length ? ` and ${known.length - named.length} more` : "";
  if (known.length === 0) return new CannotRun(`No gateway ${eui} was heard, nor any other.`);
  const near = known.find((one) => digitsApart(one, eui) <= MAX_TYPED_WRONG);
  const hint =
    near === undefined
      ? "If the identifier is right, none of its datagrams arrived: check its server address, its port and the firewall here."
      : `Did you mean ${near}?`;
  return new CannotRun(
    `No gateway ${eui} was heard; known ${known.length === 1 ? "is" : "are"} ${listed(named)}${more}. ${hint}`,
  );
}

/** As many digits wrong are a typing error rather than another gateway. Chosen: two digits changed places. */
const MAX_TYPED_WRONG = 2;

function digitsApart(a: string, b: string): number {
  return [...a].filter((digit, i) => digit !== b[i]).length;
}

/** "02:00:5e:10:00:00:00:01" is read too. */
const WORDS: Readonly<Record<BenchState, string>> = {
  pass: "✓ pass",
  warn: "▲ warn",
  fail: "✕ FAIL",
  waiting: "○ waiting",
};
/** Width of a printed page in a terminal's type. */
const LINE = 100;

/** One line a gateway: verdict, who it is, its first fault, and whether it was signed off. */
export function briefText(rows: readonly BenchRow[]): string {
  if (rows.length === 0) return "No gateway is on the bench.";
  return table(rows, [
    { title: "verdict", of: ({ verdict }) => WORDS[verdict] },
    { title: "gateway", of: ({ eui }) => eui },
    { title: "name", of: ({ name }) => name ?? "" },
    { title: "serial or order", of: ({ serial }) => serial ?? "" },
    { title: "signed off", of: ({ signedOff }) => signedOff ?? "" },
    { title: "first fault", of: ({ fault }) => fault?.title ?? "" },
  ]);
}

/** "serial or order FO-1207, signed off 2026-…"; what was noted of it. */
function recordText({ serial, signedOff }: Pick<BenchRow, "serial" | "signedOff">): string {
  return [
    ...(serial === null ? [] : [`serial or order ${plainLine(serial)}`]),
    ...(signedOff === null ? [] : [`signed off ${signedOff}`]),
  ].join(", ");
}

/** The table as text: one line a gateway, beneath it what to do about its first fault. */
export function tableText({ gateways, window, gone, leftOut }: BenchTable): string {
  const left = [
    ...(gone === 0 ? [] : [`${gone} signed off and gone from the bench.`]),
    ...(leftOut === 0 ? [] : [`${leftOut} more, heard longest ago, are left out.`]),
  ].join(" ");
  if (gateways.length === 0) return left === "" ? "No gateway was heard yet." : left;
  const lines = gateways.flatMap((row) => {
    const { eui, name, verdict, passed, failed, warned, waiting, fault } = row;
    const counts = [
      `${passed} passed`,
      ...(failed === 0 ? [] : [`${failed} failed`]),
      ...(warned === 0 ? [] : [`${warned} to check`]),
      ...(waiting === 0 ? [] : [`${waiting} open`]),
    ].join(", ");
    const head = `${WORDS[verdict].padEnd(11)}${eui}${name === null ? "" : ` ${name}`}  ${counts}`;
    const record = recordText(row);
    const noted = record === "" ? [] : wrapped(record, 11);
    if (fault === null) return [head, ...noted];
    const advice = fault.advice === null ? [] : wrapped(`→ ${fault.advice}`, 11);
    return [head, ...noted, ...wrapped(`${fault.title}: ${fault.reason}`, 11), ...advice];
  });
  return [
    `${gateways.length} ${gateways.length === 1 ? "gateway" : "gateways"}, ${window.from} to ${window.to}`,
    "",
    ...lines,
    ...(left === "" ? [] : ["", left]),
  ].join("\n");
}

/** The list as text: state, check and figure in columns, beneath them the reason and what to do. */
export function benchText(view: BenchView): string {
  const titleWidth = Math.max(...view.items.map(({ title }) => title.length));
  const lines = view.items.flatMap((item) => itemLines(item, titleWidth));
  const name = view.name === null ? "" : ` ${plainLine(view.name)}`;
  const head = [
    `Bench of gateway ${view.eui}${name}: ${WORDS[view.verdict]}`,
    `${view.window.from} to ${view.window.to}`,
    ...(recordText(view) === "" ? [] : [recordText(view)]),
    "",
    ...wrapped(sentenceText(view.sentence), 0),
    ...view.notices.flatMap((notice) => wrapped(notice, 0)),
    "",
  ];
  return [...head, ...lines].join("\n");
}

/** The receiver as text: a line a spreading factor, then its noise and the reference. */
export function receiverText(view: ReceiverView): string {
  const { factors, noise, reference, limits } = view;
  return [
    ...wrapped(sentenceText(view.sentence), 0),
    ...wrapped(view.basisText, 0),
    "",
    ...factors.flatMap(({ sentence, frames, missed }) =>
      wrapped(`${sentence}; ${figure(missed)} of ${figure(frames)} frames missed`, 2),
    ),
    ...wrapped(noise.sentence, 2),
    ...noise.others.flatMap(({ sentence }) => wrapped(sentence, 2)),
    ...(reference === null ? [] : wrapped(reference.sentence, 2)),
    "",
    ...limits.flatMap((limit) => wrapped(limit, 2)),
  ].join("\n");
}

function itemLines(item: BenchItem, titleWidth: number): string[] {
  const indent = 11;
  const first =
    `${WORDS[item.state].padEnd(indent)}${item.title.padEnd(titleWidth)}  ${item.figure}`.trimEnd();
  const advice = item.advice === null ? [] : wrapped(`→ ${item.advice}`, indent);
  return [first, ...wrapped(item.reason, indent), ...advice];
}

/** Lines of `LINE` characters at most, broken at spaces, each after so many spaces. */
function wrapped(text: string, indent: number): string[] {
  const lines: string[] = [];
  let line = "";
  for (const word of plainLine(text).split(" ")) {
    if (line !== "" && indent + line.length + 1 + word.length > LINE) {
      lines.push(line);
      line = word;
    } else line = line === "" ? word : `${line} ${word}`;
  }
  return [...lines, line].map((one) => `${" ".repeat(indent)}${one}`);
}
