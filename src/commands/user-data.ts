/** `mastlog marks`: what did people note, and when? Lists marks, pins one, removes one. */
import { Command, Option } from "commander";
import { DevAddrText, EuiText } from "../contract/common.ts";
import { MarkRequest, type MarkRow, PositionChange, type PositionRow } from "../contract/user-data.ts";
import { openStore } from "../store/open.ts";
import { type UserChange, writeUserChange } from "../store/user-changes.ts";
import { MAX_MARKS, marksIn, type PositionRequest } from "../store/user-data.ts";
import type { WasWritten } from "../store/written.ts";
import { markRows, newMark, notWrittenSentence, positionRows } from "../views/user-data.ts";
import { askedWindow } from "../views/window.ts";
import { figure } from "../words/format.ts";
import {
  CannotRun,
  guarded,
  readRowNumber,
  readViewOptions,
  storeCommand,
  withReader,
  withViewOptions,
} from "./options.ts";
import { print, printJson, table } from "./terminal.ts";
import { effectCommand } from "./trials.ts";

interface AddOptions {
  readonly db: string;
  readonly json?: boolean;
  readonly at?: string;
  readonly until?: string;
  readonly kind?: string;
  readonly gateway?: string;
  readonly node?: string;
  readonly latitude?: string;
  readonly longitude?: string;
  readonly east?: string;
  readonly north?: string;
}

const HELP = `
A mark is a note pinned to a moment: "cut the hedge", "moved the gateway to the north parapet". A finding that begins
at a mark says so; 'marks effect NUMBER' compares the time before with the time after. A mark of kind "stop" names a
place of a walk test.`;

export function marksCommand(): Command {
  return new Command("marks")
    .description("notes that people pinned to moments")
    .addCommand(listCommand())
    .addCommand(addCommand())
    .addCommand(removeCommand())
    .addCommand(effectCommand())
    .addHelpText("after", HELP);
}

function listCommand(): Command {
  return withViewOptions(new Command("list").description("marks of a stretch of time, newest first")).action(
    (given: unknown) =>
      guarded(() => {
        const { db, json, from, to, site } = readViewOptions(given);
        const marks = withReader(
          db,
          (store) => {
            // Without a window every mark is meant, also one from before the first reception.
            const window =
              from === undefined && to === undefined
                ? null
                : askedWindow(store, { from, to }, Date.parse(to ?? from ?? "") * 1000);
            return markRows(store, marksIn(store, window, MAX_MARKS));
          },
          site,
        );
        if (json) return printJson({ marks });
        print(marks.length === 0 ? "No mark is pinned.\n" : `${markTable(marks)}\n`);
      }),
  );
}

function addCommand(): Command {
  return storeCommand("add", "pin a mark")
    .argument("<text>", "what happened, in one line")
    .option("--at <time>", "the moment, ISO 8601 (default: now)")
    .option("--until <time>", "end of what lasted, ISO 8601")
    .option("--gateway <eui>", "the gateway that it is about")
    .option("--node <address>", "the node that it is about")
    .addOption(new Option("--kind <kind>", "note, or stop of a walk test").choices(["note", "stop"]))
    .option("--latitude <degrees>", "where, with --longitude")
    .option("--longitude <degrees>")
    .option("--east <metres>", "where, with --north: metres from a point of your choice")
    .option("--north <metres>")
    .action((text: string, options: AddOptions) =>
      guarded(() => {
        const asked = readMark(text, options);
        const mark = newMark(asked, Date.now() * 1000);
        const { result: id } = enter(options.db, { entity: "mark", work: { kind: "add", mark } });
        if (options.json === true) return printJson({ id });
        print(`Mark ${id} is pinned.\n`);
      }),
    );
}

function removeCommand(): Command {
  return storeCommand("remove", "remove a mark")
    .argument("<number>", "its number, as 'marks list' shows it")
    .action((number: string, options: AddOptions) =>
      guarded(() => {
        const work = { kind: "remove", id: readRowNumber("mark", number) } as const;
        const { result: removed } = enter(options.db, { entity: "mark", work });
        if (options.json === true) return printJson({ removed });
        print(`Mark ${removed} is removed.\n`);
      }),
    );
}

/** What was typed, checked by the same schema as what the dashboard sends. */
function readMark(text: string, options: AddOptions): MarkRequest {
  const { at, until, kind, gateway, node, latitude, longitude, east, north } = options;
  const degrees = latitude !== undefined || longitude !== undefined;
  const metres = east !== undefined || north !== undefined;
  if (degrees && metres) throw new CannotRun("A place is given in degrees or in metres, not both.");
  const position = degrees
    ? { latitude: Number(latitude), longitude: Number(longitude) }
    : metres
      ? { eastMetres: Number(east), northMetres: Number(north) }
      : null;
  const read = MarkRequest.safeParse({
    text,
    at,
    until: until ?? null,
    kind: kind ?? "note",
    gatewayEui: gateway?.toUpperCase() ?? null,
    devAddr: node?.toUpperCase() ?? null,
    position,
  });
  if (read.success) return read.data;
  const issue = read.error.issues[0];
  throw new CannotRun(WRONG[String(issue?.path[0])] ?? `The mark cannot be pinned: ${issue?.message}.`);
}

const WRONG: Readonly<Record<string, string>> = {
  text: "The text is one line of at most 200 characters.",
  at: "--at takes a time such as 2026-03-14T09:00:00Z.",
  until: "--until takes a time such as 2026-03-14T09:00:00Z.",
  gatewayEui: "--gateway takes an EUI of 16 hex digits.",
  devAddr: "--node takes a device address of 8 hex digits.",
  position:
    "A place is --latitude and --longitude in degrees, or --east and --north in metres (at most 100 km).",
};

/** Writes what a person typed into the store; throws CannotRun with the reason when it was not written. */
export function enter(path: string, change: UserChange): WasWritten {
  const db = openStore(path);
  try {
    const written = db.transaction(() => writeUserChange(db, change)).immediate();
    if (!written.ok) throw new CannotRun(notWrittenSentence(written));
    return written;
  } finally {
    db.close();
  }
}

function markTable(marks: readonly MarkRow[]): string {
  return table(marks, [
    { title: "no.", of: ({ id }) => String(id), right: true },
    { title: "time", of: ({ at }) => at },
    { title: "until", of: ({ until }) => until ?? "" },
    { title: "about", of: (mark) => aboutWords(mark) },
    { title: "kind", of: ({ kind }) => kind },
    { title: "text", of: ({ text }) => text },
  ]);
}

function aboutWords({ gatewayEui, gatewayName, devAddr, nodeName }: MarkRow): string {
  return gatewayName ?? gatewayEui ?? nodeName ?? devAddr ?? "the site";
}

// `mastlog positions`: where do gateways and nodes stand? Lists, says and takes back.

interface Options {
  readonly db: string;
  readonly json?: boolean;
  readonly [name: string]: unknown;
}

const FIELDS = {
  latitude: "latitudeDeg",
  longitude: "longitudeDeg",
  east: "eastM",
  north: "northM",
  height: "heightM",
  eirp: "eirpDbm",
  gain: "antennaGainDbi",
} as const;

const POSITION_HELP = `
A place is given in degrees, or in metres east and north of a point of your choice, or both: one thing given in both
ties the metres to the globe. Gateways with GPS say theirs themselves. Work at height, lightning protection and mains
earthing belong to qualified people; local rules prevail.`;

export function positionsCommand(): Command {
  return new Command("positions")
    .description("where gateways and nodes stand: distance, free-space loss and what goes beyond it")
    .addCommand(listPositionsCommand())
    .addCommand(setCommand())
    .addCommand(clearCommand())
    .addHelpText("after", POSITION_HELP);
}

function listPositionsCommand(): Command {
  return storeCommand("list", "positions entered, and those that gateways report by GPS").action(
    (options: Options) =>
      guarded(() => {
        const positions = withReader(options.db, positionRows);
        if (options.json === true) return printJson({ positions });
        print(positions.length === 0 ? "No position is known.\n" : `${positionTable(positions)}\n`);
      }),
  );
}

function setCommand(): Command {
  return storeCommand("set", "enter where a gateway or node stands; replaces what was entered before")
    .argument("<thing>", "gateway (16 hex digits) or node (8 hex digits)")
    .option("--latitude <degrees>", "north positive, with --longitude")
    .option("--longitude <degrees>", "east positive")
    .option("--east <metres>", "on the plan, with --north")
    .option("--north <metres>")
    .option("--height <metres>", "of the antenna above ground")
    .option("--eirp <dBm>", "power that a node sends, its antenna included")
    .option("--gain <dBi>", "of a gateway's antenna, feeder taken off")
    .action((thing: string, options: Options) =>
      guarded(() => {
        const said: Record<string, number> = {};
        for (const [option, field] of Object.entries(FIELDS)) {
          const text = options[option];
          if (text === undefined) continue;
          const value = Number(text);
          if (text === "" || !Number.isFinite(value)) throw new CannotRun(`--${option} takes a number.`);
          said[field] = value;
        }
        if (Object.keys(said).length === 0)
          throw new CannotRun("Give at least one figure, such as --latitude and --longitude.");
        const position = PositionChange.safeParse(said);
        if (!position.success) {
          const issue = position.error.issues[0];
          const option = Object.entries(FIELDS).find(([, field]) => field === issue?.path[0])?.[0];
          throw new CannotRun(option === undefined ? (issue?.message ?? "") : `--${option} is out of range.`);
        }
        enter(options.db, {
          entity: "position",
          request: { ...thingNamed(thing), position: position.data },
        });
        if (options.json === true) return printJson({ set: thing.toUpperCase() });
        print(`The position of ${thing.toUpperCase()} is written.\n`);
      }),
    );
}

function clearCommand(): Command {
  return storeCommand("clear", "remove a position")
    .argument("<thing>", "gateway (16 hex digits) or node (8 hex digits)")
    .action((thing: string, options: Options) =>
      guarded(() => {
        enter(options.db, { entity: "position", request: { ...thingNamed(thing), position: null } });
        if (options.json === true) return printJson({ cleared: thing.toUpperCase() });
        print(`Nothing is said any more of where ${thing.toUpperCase()} stands.\n`);
      }),
    );
}

function thingNamed(text: string): Pick<PositionRequest, "kind" | "id"> {
  const id = text.toUpperCase();
  if (EuiText.safeParse(id).success) return { kind: "gateway", id };
  if (DevAddrText.safeParse(id).success) return { kind: "node", id };
  throw new CannotRun("A gateway is named by 16 hex digits, a node by its device address, 8 hex digits.");
}

function positionTable(rows: readonly PositionRow[]): string {
  return table(rows, [
    { title: "what", of: ({ kind }) => kind },
    { title: "id", of: ({ id }) => id },
    { title: "name", of: ({ name }) => name ?? "" },
    { title: "latitude", of: ({ latitudeDeg }) => figure(latitudeDeg, 5), right: true },
    { title: "longitude", of: ({ longitudeDeg }) => figure(longitudeDeg, 5), right: true },
    { title: "east m", of: ({ eastM }) => figure(eastM, 0), right: true },
    { title: "north m", of: ({ northM }) => figure(northM, 0), right: true },
    { title: "height m", of: ({ heightM }) => figure(heightM, 1), right: true },
    { title: "EIRP dBm", of: ({ eirpDbm }) => figure(eirpDbm, 1), right: true },
    { title: "gain dBi", of: ({ antennaGainDbi }) => figure(antennaGainDbi, 1), right: true },
    {
      title: "said by",
      of: ({ from }) => ({ person: "a person", gps: "GPS", both: "a person, and GPS" })[from],
    },
  ]);
}
