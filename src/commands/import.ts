/** `mastlog import`: reads packet captures and recorded datagrams through the same path as live traffic. */
import { basename } from "node:path";
import { Command } from "commander";
import { z } from "zod";
import { judgeGap } from "../diagnosis/findings/judge-gap.ts";
import { CaptureUnreadable } from "../intake/capture-file.ts";
import { CaptureImport, type CaptureOutcome } from "../intake/capture-import.ts";
import { plainLine } from "../model/plain-text.ts";
import { isoTime } from "../model/window.ts";
import { openStore } from "../store/open.ts";
import { Recorder } from "../store/recorder.ts";
import { CannotRun, dbOption, guarded } from "./options.ts";
import { progressBar } from "./progress.ts";
import { print, printJson } from "./view-output.ts";

const Options = z.object({
  db: z.string().min(1),
  udpPort: z.coerce.number().int().min(1).max(65_535).optional(),
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
  return new Command("import")
    .description("read packet captures (pcap, pcapng; gzip too) and recorded datagrams (JSON lines)")
    .argument("<file...>", "capture files")
    .option("--udp-port <n>", "the server's port in the capture (default: recognised by what crosses it)")
    .addOption(dbOption())
    .option("--json", "print one JSON document")
    .addHelpText(
      "after",
      "\nTimes are the capture's own. Reading a file twice changes nothing. The service may run meanwhile.",
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
  const db = openStore(dbPath);
  const recorder = new Recorder(db, judgeGap);
  const reports: FileReport[] = [];
  try {
    for (const file of files) {
      const report = await readFile(file, recorder, udpPort);
      reports.push(report);
      if (!json) print(`${plainLine(describe(report))}\n`);
    }
    if (json) printJson({ captures: reports });
  } finally {
    recorder.close();
    db.close();
  }
}

async function readFile(file: string, recorder: Recorder, udpPort: number | undefined): Promise<FileReport> {
  const bar = progressBar(plainLine(basename(file)));
  const importer = new CaptureImport({
    recorder,
    udpPort,
    nowUs: () => Date.now() * 1000,
    pause: () => Promise.resolve(),
    onProgress: ({ progress }) => bar.at(progress),
    onRecorded: () => undefined,
  });
  try {
    const { figures, ...outcome } = await importer.read(file, basename(file), () => undefined);
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
  } catch (error) {
    if (error instanceof CaptureUnreadable) throw new CannotRun(`${file}: ${error.message} ${error.hint}`);
    throw error;
  } finally {
    bar.stop();
  }
}

function describe(report: FileReport): string {
  if (report.readBefore) return `${report.file}: was read before; nothing changed.`;
  const count = (n: number, what: string) => `${n.toLocaleString("en-GB")} ${what}${n === 1 ? "" : "s"}`;
  const parts = [
    `${count(report.datagrams, "datagram")} with ${count(report.receptions, "reception")}`,
    ...(report.from === null ? [] : [`from ${report.from} to ${report.to}`]),
    ...(report.knownAlready === 0 ? [] : [`${report.knownAlready} known already`]),
    ...(report.refused === 0 ? [] : [`${report.refused} refused`]),
    report.answers === 0 ? "gateways' side only" : "both directions",
  ];
  const damage = report.damage === null ? "" : ` ${report.damage}`;
  return `${report.file}: ${parts.join(", ")}.${damage}`;
}
