/** The bench as text for a terminal: the list of one gateway, its receiver, and the table of all gateways. */
import type {
  BenchItem,
  BenchRow,
  BenchState,
  BenchTable,
  BenchView,
  ReceiverView,
} from "../contract/index.ts";
import { plainLine } from "../model/text.ts";
import { figure, listed, plural } from "../words/format.ts";
import { sentenceText, table } from "./terminal.ts";

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
    `${plural(gateways.length, "gateway")}, ${window.from} to ${window.to}`,
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

/** Why a gateway is not signed off. */
export const NOT_PASSED: Readonly<Record<BenchView["verdict"], string>> = {
  pass: "every check passes",
  warn: "a check is to be looked at",
  waiting: "a check is open",
  fail: "a check fails",
};

/** Known identifiers that a sentence names. */
const MAX_NAMED = 5;

/** Why there is no list of a gateway that was never heard, and what to look at. */
export function unknownText(eui: string, known: readonly string[]): string {
  const named = known.slice(0, MAX_NAMED);
  const more = known.length > named.length ? ` and ${known.length - named.length} more` : "";
  if (known.length === 0) return `No gateway ${eui} was heard, nor any other.`;
  const near = known.find((one) => digitsApart(one, eui) <= MAX_TYPED_WRONG);
  const hint =
    near === undefined
      ? "If the identifier is right, none of its datagrams arrived: check its server address, its port and the firewall here."
      : `Did you mean ${near}?`;
  return `No gateway ${eui} was heard; known ${known.length === 1 ? "is" : "are"} ${listed(named)}${more}. ${hint}`;
}

/** As many digits wrong are a typing error rather than another gateway. Chosen: two digits changed places. */
const MAX_TYPED_WRONG = 2;

function digitsApart(a: string, b: string): number {
  return [...a].filter((digit, i) => digit !== b[i]).length;
}
