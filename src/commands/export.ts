/** `mastlog export`: takes a table out of the store, as a file, to stdout, or as a folder tree of Parquet files. */
import { closeSync, existsSync, mkdirSync, openSync, renameSync, rmSync, writeSync } from "node:fs";
import { basename, dirname, extname, join } from "node:path";
import { Command, Option } from "commander";
import { z } from "zod";
import { EXPORT_FORMATS, EXPORT_TABLES } from "../contract/service.ts";
import {
  type ExportPiece,
  type ExportScope,
  exportPieces,
  exportTree,
  type TreePiece,
  whyNot,
} from "../export/export.ts";
import { errorText } from "../model/fault.ts";
import { isoTime } from "../model/time-range.ts";
import { narrowToSite, siteNames } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { openReaderOfNow } from "../store/service-claim.ts";
import { fileSize } from "../words/format.ts";
import { CannotRun, dbOption, guarded, readViewOptions, tellLeftHeld, windowGiven } from "./options.ts";
import { complain, interruptible, progressBar } from "./terminal.ts";

const Options = z.object({
  what: z.enum(EXPORT_TABLES),
  format: z.enum(EXPORT_FORMATS),
  output: z.string().min(1),
  gateway: z
    .string()
    .regex(/^[0-9A-Fa-f]{16}$/)
    .transform((text) => text.toUpperCase())
    .optional(),
  node: z
    .string()
    .regex(/^[0-9A-Fa-f]{8}$/)
    .transform((text) => text.toUpperCase())
    .optional(),
  site: z.string().min(1).max(100).optional(),
  overwrite: z.boolean().default(false),
});
type Options = z.infer<typeof Options>;

const WRONG: Readonly<Record<string, string>> = {
  what: `export takes a table: --what ${EXPORT_TABLES.join("|")}.`,
  format: `export takes a form: --format ${EXPORT_FORMATS.join("|")}.`,
  output: "export takes where to write: -o FILE, -o - for stdout, or a folder with --format parquet.",
  gateway: "--gateway takes an identifier of 16 hex digits.",
  node: "--node takes a device address of 8 hex digits.",
  site: "--site takes a name of up to 100 characters.",
};

const HELP = `
csv      RFC 4180 with a head; keys and units as in the API; text that a spreadsheet would take for a formula gets an
         apostrophe before it
jsonl    one JSON object a line. Of receptions: datagrams, one a line, which 'mastlog import' reads
pcap     receptions only: the datagrams as a packet capture, which 'mastlog import' reads
parquet  a folder tree site=…/date=…/gateway=… of typed, compressed files, each gateway in the folder of its site
         ('mastlog sites'), the rest in the store's; '-o -' writes one file to stdout

Octets of datagrams are not stored: they are written again from what is, and give the same figures. README, "Getting
data out", says what does not come along. No keys are written; jsonl and pcap of receptions hold payloads as heard.`;

export function exportCommand(): Command {
  return new Command("export")
    .description("write a table of the store as CSV, JSON lines, Parquet or packet capture")
    .addOption(new Option("--what <table>", "the table").choices(EXPORT_TABLES))
    .addOption(new Option("--format <form>", "the form").choices(EXPORT_FORMATS))
    .option("-o, --output <path>", "the file, '-' for stdout, or the folder of the tree (must be given)")
    .option("--from <time>", "begin of the window, ISO 8601 (default: all that is stored)")
    .option("--to <time>", "end of the window, ISO 8601")
    .option("--gateway <eui>", "of one gateway only")
    .option("--node <address>", "of one node only")
    .option(
      "--site <name>",
      "only this site's gateways, what they heard, and its nodes; where no gateway has a site, the name of the site's folder (parquet)",
    )
    .option("--overwrite", "replace files that are there")
    .addOption(dbOption())
    .addHelpText("after", HELP)
    .action((given: unknown) => guarded(() => run(given)));
}

async function run(given: unknown): Promise<void> {
  const view = readViewOptions(given);
  const parsed = Options.safeParse(given);
  if (!parsed.success) throw new CannotRun(WRONG[String(parsed.error.issues[0]?.path[0])] ?? "See --help.");
  const options = parsed.data;
  const reason = whyNot(options.what, options.format);
  if (reason !== null) throw new CannotRun(reason);
  const store = openReaderOfNow(view.db);
  try {
    tellLeftHeld(store);
    if (options.site !== undefined && (siteNames(store).length > 0 || options.format !== "parquet"))
      narrowToSite(store, options.site);
  } catch (error) {
    store.close();
    throw error;
  }
  const bar = progressBar(options.what);
  let isStopped = false;
  const stop = () => {
    isStopped = true;
  };
  const onShare = async (share: number): Promise<void> => {
    bar.at(share);
    // Signals get their turn.
    await new Promise((resume) => setImmediate(resume));
    if (isStopped) throw new CannotRun("Stopped; nothing is left of the unfinished file.");
  };
  try {
    const scope: ExportScope = {
      window: windowGiven(store, view),
      gatewayEui: options.gateway,
      devAddr: options.node,
    };
    await interruptible(stop, async () => {
      const octets = await write(store, scope, options, view.db, onShare).finally(() => bar.stop());
      if (options.output !== "-") complain(summary(options, scope, octets));
    });
  } finally {
    store.close();
  }
}

function summary({ output, what }: Options, { window }: ExportScope, octets: number): string {
  return `${output}: ${what} from ${isoTime(window.fromUs)} to ${isoTime(window.toUs)}, ${fileSize(octets)}.\n`;
}

type OnShare = (share: number) => Promise<void>;

/** Writes it all and returns the octets; on an error nothing is left of an unfinished file. */
async function write(
  store: Store,
  scope: ExportScope,
  options: Options,
  dbPath: string,
  onShare: OnShare,
): Promise<number> {
  const { what, format, output, overwrite } = options;
  if (output === "-") return toStdout(exportPieces(store, what, format, scope), onShare);
  if (format === "parquet") {
    const site = { name: options.site ?? null, otherwise: basename(dbPath, extname(dbPath)) };
    return toTree(exportTree(store, what, scope, site), output, overwrite, onShare);
  }
  let octets = 0;
  const file = new NewFile(output, overwrite);
  try {
    for (const { bytes, share } of exportPieces(store, what, format, scope)) {
      octets += file.write(bytes);
      await onShare(share);
    }
    file.publish();
  } finally {
    file.close();
  }
  return octets;
}

async function toStdout(pieces: Iterable<ExportPiece>, onShare: OnShare): Promise<number> {
  let octets = 0;
  // Whoever reads may have enough of it (`| head`): then nothing more is read from the store.
  let isOver = false;
  process.stdout.once("close", () => {
    isOver = true;
  });
  for (const { bytes, share } of pieces) {
    octets += bytes.length;
    if (!process.stdout.write(bytes) && !isOver)
      await new Promise<void>((resume) => {
        const go = () => {
          process.stdout.off("drain", go).off("close", go);
          resume();
        };
        process.stdout.once("drain", go).once("close", go);
      });
    if (isOver) break;
    await onShare(share);
  }
  return octets;
}

async function toTree(
  pieces: Iterable<TreePiece>,
  folder: string,
  overwrite: boolean,
  onShare: OnShare,
): Promise<number> {
  let octets = 0;
  let file: NewFile | undefined;
  let openPath = "";
  try {
    for (const { path, bytes, share } of pieces) {
      if (path !== openPath) {
        file?.publish();
        mkdirSync(dirname(join(folder, path)), { recursive: true });
        file = new NewFile(join(folder, path), overwrite);
        openPath = path;
      }
      octets += file?.write(bytes) ?? 0;
      await onShare(share);
    }
    file?.publish();
  } finally {
    file?.close();
  }
  return octets;
}

/** A file that appears under its name when it is whole. Throws CannotRun with one sentence. */
class NewFile {
  readonly #path: string;
  readonly #part: string;
  readonly #descriptor: number;
  #isOpen = true;

  constructor(path: string, overwrite: boolean) {
    if (existsSync(path) && !overwrite)
      throw new CannotRun(`${path} is there already. Name another, or add --overwrite.`);
    this.#path = path;
    this.#part = `${path}.part-${process.pid}`;
    this.#descriptor = asSentence(path, () => openSync(this.#part, "w"));
  }

  write(bytes: Uint8Array): number {
    asSentence(this.#path, () => {
      for (let at = 0; at < bytes.length; ) at += writeSync(this.#descriptor, bytes, at);
    });
    return bytes.length;
  }

  publish(): void {
    asSentence(this.#path, () => {
      closeSync(this.#descriptor);
      this.#isOpen = false;
      renameSync(this.#part, this.#path);
    });
  }

  /** Takes an unfinished file away. */
  close(): void {
    if (this.#isOpen) closeSync(this.#descriptor);
    this.#isOpen = false;
    rmSync(this.#part, { force: true });
  }
}

function asSentence<T>(path: string, work: () => T): T {
  try {
    return work();
  } catch (error) {
    if (!existsSync(dirname(path)))
      throw new CannotRun(`${path} cannot be written: there is no folder ${dirname(path)}.`);
    throw new CannotRun(`${path} cannot be written: ${errorText(error)}.`);
  }
}
