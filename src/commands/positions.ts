/** `mastlog positions`: where do gateways and nodes stand? Lists, says and takes back. */
import { Command } from "commander";
import { DevAddrText, EuiText } from "../contract/common.ts";
import { PositionChange, type PositionRow } from "../contract/positions.ts";
import { openStore } from "../store/open.ts";
import { type PositionRequest, writePosition } from "../store/positions.ts";
import { positionRows } from "../views/positions.ts";
import { CannotRun, dbOption, guarded, withReader } from "./options.ts";
import { number, print, printJson, table } from "./view-output.ts";

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

const HELP = `
A place is given in degrees, or in metres east and north of a point of your choice, or both: one thing given in both
ties the metres to the globe. Gateways with GPS say theirs themselves. Work at height, lightning protection and mains
earthing belong to qualified people; local rules prevail.`;

export function positionsCommand(): Command {
  return new Command("positions")
    .description("where gateways and nodes stand: distance, free-space loss and what goes beyond it")
    .addCommand(listCommand())
    .addCommand(setCommand())
    .addCommand(clearCommand())
    .addHelpText("after", HELP);
}

function listCommand(): Command {
  return shared("list", "positions given, and those that gateways tell by GPS").action((options: Options) =>
    guarded(() => {
      const positions = withReader(options.db, positionRows);
      if (options.json === true) return printJson({ positions });
      print(positions.length === 0 ? "No position is known.\n" : `${positionTable(positions)}\n`);
    }),
  );
}

function setCommand(): Command {
  return shared("set", "say where a gateway or node stands; replaces what was said before")
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
          throw new CannotRun("Say at least one figure, such as --latitude and --longitude.");
        const position = PositionChange.safeParse(said);
        if (!position.success) {
          const issue = position.error.issues[0];
          const option = Object.entries(FIELDS).find(([, field]) => field === issue?.path[0])?.[0];
          throw new CannotRun(option === undefined ? (issue?.message ?? "") : `--${option} is out of range.`);
        }
        change(options.db, { ...thingNamed(thing), position: position.data });
        if (options.json === true) return printJson({ set: thing.toUpperCase() });
        print(`The position of ${thing.toUpperCase()} is written.\n`);
      }),
    );
}

function clearCommand(): Command {
  return shared("clear", "take a position back")
    .argument("<thing>", "gateway (16 hex digits) or node (8 hex digits)")
    .action((thing: string, options: Options) =>
      guarded(() => {
        change(options.db, { ...thingNamed(thing), position: null });
        if (options.json === true) return printJson({ cleared: thing.toUpperCase() });
        print(`Nothing is said any more of where ${thing.toUpperCase()} stands.\n`);
      }),
    );
}

function shared(name: string, description: string): Command {
  return new Command(name)
    .description(description)
    .addOption(dbOption())
    .option("--json", "print one JSON document");
}

function change(path: string, request: PositionRequest): void {
  const db = openStore(path);
  try {
    writePosition(db, request);
  } finally {
    db.close();
  }
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
    { title: "latitude", of: ({ latitudeDeg }) => number(latitudeDeg, 5), right: true },
    { title: "longitude", of: ({ longitudeDeg }) => number(longitudeDeg, 5), right: true },
    { title: "east m", of: ({ eastM }) => number(eastM, 0), right: true },
    { title: "north m", of: ({ northM }) => number(northM, 0), right: true },
    { title: "height m", of: ({ heightM }) => number(heightM), right: true },
    { title: "EIRP dBm", of: ({ eirpDbm }) => number(eirpDbm), right: true },
    { title: "gain dBi", of: ({ antennaGainDbi }) => number(antennaGainDbi), right: true },
    {
      title: "said by",
      of: ({ from }) => ({ person: "a person", gps: "GPS", both: "a person, and GPS" })[from],
    },
  ]);
}
