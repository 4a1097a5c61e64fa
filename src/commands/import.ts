/** `mastlog import`: reads packet captures and recorded datagrams through the same path as live traffic. */
import { closeSync, existsSync, openSync, readSync, realpathSync } from "node:fs";
import { basename } from "node:path";
import type { Command } from "commander";
import { z } from "zod";
import { judgeGap } from "../diagnosis/findings/judge.ts";
import { CaptureImport, type CaptureOutcome, inOrderOfTime } from "../intake/capture-import.ts";
import { CaptureUnreadable, openCapture } from "../intake/capture-reader.ts";
import { onceFree } from "../intake/record-batch.ts";
import { recordLeftHeld } from "../intake/recording-queue.ts";
import { mergeStore, type StoreMergeOutcome } from "../intake/store-merge.ts";
import { plainLine } from "../model/text.ts";
import { isoTime } from "../model/time-range.ts";
import { deferSyncs, openReader, openStore } from "../store/open.ts";
import { Recorder } from "../store/recorder.ts";
import { type Removed, removedOf } from "../store/retention.ts";
import { closeBesideService, isServiceRunning } from "../store/service-claim.ts";
import { figure, plural } from "../words/format.ts";
import { CannotRun, guarded, storeCommand } from "./options.ts";
import { complain, interruptible, type Progress, print, printJson, progressBar } from "./terminal.ts";

const Options = z.object({
  db: z.string().min(1),
  udpPort: z.coerce.number().int().min(1).max(65_535).optional(),
  keys: z.boolean().default(false),
  json: z.boolean().default(false),
});

interface FileReport extends Omit<CaptureOutcome, "figures"> {
  readonly file: string;
  readonly from: string | null;
  readonly to: string | null;
  readonly datagrams: number;
  readonly receptions: number;
  readonly knownAlready: number;
  readonly refused: number;
  readonly answers: number;
}

export function importCommand(): Command {
  return storeCommand(
    "import",
    "read packet captures (pcap, pcapng; gzip too), recorded datagrams (JSON lines), and other stores",
  )
    .argument("<file...>", "captures, or stores of Mastlog")
    .option("--udp-port <n>", "the server's port in the capture (default: recognised by what crosses it)")
    .option("--keys", "of another store: take the keys of nodes over as well")
    .addHelpText(
      "after",
      "\nOf another store come receptions, reports, downlinks, recorded time, names, marks, placements, positions and bench records; it is not changed. Where both stores name one thing differently, the name of --db stays. Times are the capture's own. Several files are read in the order of their time. Reading a file twice changes nothing. The service may run meanwhile.",
    )
    .action((files: string[], given: unknown) => guarded(() => readFiles(files, given)));
}

async function readFiles(files: readonly string[], given: unknown): Promise<void> {
  const options = Options.safeParse(given);
  if (!options.success) {
    const isPort = options.error.issues[0]?.path[0] === "udpPort";
    throw new CannotRun(
      isPort ? "--udp-port takes a number from 1 to 65535." : "--db takes the name of a file.",
    );
  }
  const { db: dbPath, udpPort, json } = options.data;
  const stores = files.filter(isStoreFile);
  const captures = files.filter((file) => !stores.includes(file));
  for (const file of stores)
    if (existsSync(dbPath) && realpathSync(file) === realpathSync(dbPath))
      throw new CannotRun(`${file} is the store itself.`);
  // A wrong path must not leave an empty store behind, so the first capture is looked at before there is one.
  const [first] = captures;
  if (first !== undefined && !existsSync(dbPath)) await asUsage(first, () => openCapture(first, { udpPort }));
  const bars: Progress[] = [];
  let importer: CaptureImport | undefined;
  let isStopped = false;
  await interruptible(
    () => {
      isStopped = true;
      importer?.stop();
    },
    async () => {
      const db = openStore(dbPath);
      deferSyncs(db);
      const recorder = new Recorder(db, judgeGap);
      if (!isServiceRunning(db)) recordLeftHeld(recorder);
      importer = new CaptureImport({
        recorder,
        udpPort,
        nowUs: () => Date.now() * 1000,
        pause,
        waitMs,
        onProgress: ({ progress }) => bars.at(-1)?.at(progress),
        onRecorded: () => undefined,
        isAlone: () => !isServiceRunning(db),
      });
      const reports: FileReport[] = [];
      const merged: MergeReport[] = [];
      try {
        for (const file of stores) {
          const other = openReader(file);
          const bar = progressBar(plainLine(basename(file)));
          bars.push(bar);
          try {
            const report = await mergeStore(other, {
              recorder,
              withKeys: options.data.keys,
              pause: async () => {
                await pause();
                if (isStopped) throw new CannotRun(`${file}: stopped. Reading it again goes on.`);
              },
              waitMs,
              onProgress: (share) => bar.at(share),
            });
            bar.stop();
            merged.push({ file, ...report });
            if (!json) print(`${plainLine(describeMerge(file, report))}\n`);
          } finally {
            bar.stop();
            other.close();
          }
        }
        for (const file of await inOrderOfTime(captures, udpPort)) {
          bars.push(progressBar(plainLine(basename(file))));
          const report = await readFile(file, importer).finally(() => bars.at(-1)?.stop());
          reports.push(report);
          if (!json) print(`${plainLine(describe(report, removedOf(db)))}\n`);
        }
        const differing = recorder.differingByOrder();
        const removed = removedOf(db);
        if (json)
          printJson({
            captures: inGivenOrder(reports, files),
            stores: merged.map(({ file, recorded, differing: _, removed, ...rest }) => ({
              file,
              datagrams: recorded.datagrams,
              receptions: recorded.receptions,
              knownAlready: recorded.knownAlready,
              ...(removed === null ? {} : { removedBefore: isoTime(removed.beforeUs) }),
              ...rest,
            })),
            differingByOrder: differing,
          });
        else if (differing > 0) print(`${orderSentence(differing, removed !== null)}\n`);
      } finally {
        await onceFree(() => recorder.close(), waitMs);
        const leftBeside = closeBesideService(db);
        if (leftBeside !== null) complain(`${leftBeside}\n`);
      }
    },
  );
}

interface MergeReport extends StoreMergeOutcome {
  readonly file: string;
}

// Signals get their turn, too.
const pause = () => new Promise<void>((resume) => setImmediate(resume));
const waitMs = (ms: number) => new Promise<void>((resume) => setTimeout(resume, ms));

/** "SQLite format 3" and a zero octet: sqlite.org/fileformat2.html, section 1.3.1. */
const SQLITE_MAGIC = "SQLite format 3\0";

function isStoreFile(file: string): boolean {
  try {
    const octets = Buffer.alloc(SQLITE_MAGIC.length);
    const descriptor = openSync(file, "r");
    try {
      return readSync(descriptor, octets) === octets.length && octets.toString("latin1") === SQLITE_MAGIC;
    } finally {
      closeSync(descriptor);
    }
  } catch {
    // Reading it as a capture says what is wrong with it.
    return false;
  }
}

function describeMerge(file: string, report: StoreMergeOutcome): string {
  const { recorded, names, marks, placements, positions, benchRecords, differing, keySets, removed } = report;
  const words = [
    [names, "name"],
    [marks, "mark"],
    [placements, "placement"],
    [positions, "position"],
    [benchRecords, "bench record"],
  ] as const;
  const parts = [
    `${plural(recorded.datagrams, "datagram")} with ${plural(recorded.receptions, "reception")}`,
    ...(recorded.knownAlready === 0 ? [] : [`${figure(recorded.knownAlready)} already stored`]),
    ...words.flatMap(([count, what]) => (count === 0 ? [] : [plural(count, what)])),
    ...(keySets === null ? [] : [plural(keySets, "set of keys", "sets of keys")]),
  ];
  const stays = differing.slice(0, 5).join(", ");
  const kept =
    differing.length === 0 ? "" : ` What stays as it was here: ${stays}${differing.length > 5 ? " …" : ""}.`;
  const gone = removed === null ? "" : ` ${notTaken(removed, "in that store")}`;
  return `${file}: ${parts.join(", ")}.${kept}${gone}`;
}

/** What was removed, in the other store or in this one, is not taken in. */
function notTaken({ beforeUs, rule }: Removed, where: string): string {
  return `Nothing before ${isoTime(beforeUs)} is taken in: it was removed ${where} by the rule of ${rule}.`;
}

async function readFile(file: string, importer: CaptureImport): Promise<FileReport> {
  const { figures, ...outcome } = await asUsage(file, () =>
    importer.read(file, basename(file), () => undefined),
  );
  const { fromUs, toUs, datagrams, receptions, knownAlready, refused, answers } = figures;
  return {
    file,
    ...outcome,
    from: fromUs === null ? null : isoTime(fromUs),
    to: toUs === null ? null : isoTime(toUs),
    datagrams,
    receptions,
    knownAlready,
    refused,
    answers,
  };
}

/** A file that is no capture becomes one sentence and exit code 2. */
async function asUsage<T>(file: string, work: () => Promise<T>): Promise<T> {
  try {
    return await work();
  } catch (error) {
    if (error instanceof CaptureUnreadable) throw new CannotRun(`${file}: ${error.message} ${error.hint}`);
    throw error;
  }
}

function inGivenOrder(reports: readonly FileReport[], files: readonly string[]): FileReport[] {
  return [...reports].sort((a, b) => files.indexOf(a.file) - files.indexOf(b.file));
}

function orderSentence(differing: number, isAnyRemoved: boolean): string {
  const what = differing === 1 ? "1 reception is" : `${figure(differing)} receptions are`;
  return `Captures were read out of order: ${what} dated or judged otherwise than in order. ${
    isAnyRemoved
      ? "They stay so: a store of which receptions were removed cannot be rebuilt."
      : "Run 'mastlog rebuild' to correct this."
  }`;
}

function describe(report: FileReport, removed: Removed | null): string {
  if (report.readBefore) return `${report.file}: was read before; nothing changed.`;
  const count = (n: number, what: string) => `${figure(n)} ${what}${n === 1 ? "" : "s"}`;
  const parts = [
    `${count(report.datagrams, "datagram")} with ${count(report.receptions, "reception")}`,
    ...(report.from === null ? [] : [`from ${report.from} to ${report.to}`]),
    ...(report.knownAlready === 0 ? [] : [`${report.knownAlready} already stored`]),
    ...(report.refused === 0 ? [] : [`${report.refused} refused`]),
    report.answers === 0 ? "gateways' side only" : "both directions",
  ];
  const damage = report.damage === null ? "" : ` ${report.damage}`;
  const isOlder =
    removed !== null && report.from !== null && Date.parse(report.from) * 1000 < removed.beforeUs;
  const gone = isOlder ? ` ${notTaken(removed, "here")}` : "";
  return `${report.file}: ${parts.join(", ")}.${damage}${gone}`;
}
