/** `mastlog placements`: where does each gateway stand, from when? Lists placements, adds one, changes or removes it. */
import { readFileSync } from "node:fs";
import { Command } from "commander";
import { SiteName } from "../contract/common.ts";
import { PlacementChange, PlacementNew, type PlacementRow } from "../contract/trials.ts";
import { errorText } from "../model/fault.ts";
import { MAX_PHOTO_OCTETS, type PlacementWork } from "../store/placements.ts";
import { siteRows } from "../views/bookkeeping.ts";
import { newPlacement, placementEdit, placementRows } from "../views/user-data.ts";
import { type Picture, plainPicture } from "../wire/picture/plain-picture.ts";
import { CannotRun, guarded, readEui, readRowNumber, storeCommand, withReader } from "./options.ts";
import { print, printJson, table } from "./terminal.ts";
import { enter } from "./user-data.ts";

interface Options {
  readonly db: string;
  readonly json?: boolean;
  readonly from?: string;
  readonly name?: string;
  readonly height?: string;
  readonly gain?: string;
  readonly loss?: string;
  readonly direction?: string;
  readonly note?: string;
}

const HELP = `
"From now on this gateway (or antenna) stands here." A placement ends where the next of the same gateway and antenna
begins. The same name again is the same place again: A, B, A, B is compared as A with B. See 'mastlog compare'.

Work at height, lightning protection and mains earthing belong to qualified people; local codes prevail.`;

export function placementsCommand(): Command {
  return new Command("placements")
    .description("where gateways and antennas are mounted, and since when")
    .addCommand(listCommand())
    .addCommand(addCommand())
    .addCommand(editCommand())
    .addCommand(photoCommand())
    .addCommand(removeCommand())
    .addHelpText("after", HELP);
}

function listCommand(): Command {
  return storeCommand("list", "all placements, in order of their begin").action((options: Options) =>
    guarded(() => {
      const rows = withReader(options.db, placementRows);
      if (options.json === true) return printJson({ placements: rows });
      print(rows.length === 0 ? "No placement is noted.\n" : `${placementTable(rows)}\n`);
    }),
  );
}

function addCommand(): Command {
  return withFacts(storeCommand("add", "from a moment on, a gateway or one of its antennas stands here"))
    .argument("<name>", "what people call the place")
    .argument("<gateway>", "EUI, or EUI/antenna")
    .action((name: string, gateway: string, options: Options) =>
      guarded(() => {
        const [eui = "", antenna] = gateway.toUpperCase().split("/");
        const read = PlacementNew.safeParse({
          name,
          gatewayEui: eui,
          antenna: antenna === undefined ? null : Number(antenna),
          from: options.from ?? new Date().toISOString(),
          ...facts(options),
        });
        if (!read.success) throw wrong(read.error.issues[0]?.path[0]);
        const id = change(options.db, { kind: "add", placement: newPlacement(read.data) });
        if (options.json === true) return printJson({ id });
        print(`Placement ${id} is noted.\n`);
      }),
    );
}

function editCommand(): Command {
  return withFacts(storeCommand("edit", "change a placement"))
    .argument("<number>", "its number, as 'placements list' shows it")
    .option("--name <text>", "another name")
    .action((number: string, options: Options) =>
      guarded(() => {
        const { from, name } = options;
        const read = PlacementChange.safeParse({ ...facts(options), from, name });
        if (!read.success) throw wrong(read.error.issues[0]?.path[0]);
        const id = change(options.db, {
          kind: "change",
          id: readRowNumber("placement", number),
          edit: placementEdit(read.data),
        });
        if (options.json === true) return printJson({ changed: id });
        print(`Placement ${id} is changed.\n`);
      }),
    );
}

function removeCommand(): Command {
  return storeCommand("remove", "forget a placement; the one before it lasts on")
    .argument("<number>", "its number, as 'placements list' shows it")
    .action((number: string, options: Options) =>
      guarded(() => {
        const id = change(options.db, { kind: "remove", id: readRowNumber("placement", number) });
        if (options.json === true) return printJson({ removed: id });
        print(`Placement ${id} is removed.\n`);
      }),
    );
}

function photoCommand(): Command {
  return storeCommand("photo", "a photo of a placement, JPEG or PNG; without a file it is taken away")
    .argument("<number>", "its number, as 'placements list' shows it")
    .argument(
      "[file]",
      "the picture, 1.5 MB at most; place and owner that a camera wrote into it are left out",
    )
    .action((number: string, file: string | undefined, options: Options) =>
      guarded(() => {
        const picture = file === undefined ? null : readPicture(file);
        const id = readRowNumber("placement", number);
        enter(options.db, { entity: "photo", placementId: id, picture });
        if (options.json === true) return printJson({ photo: id });
        print(`Placement ${id} has ${picture === null ? "no" : "this"} photo.\n`);
      }),
    );
}

function readPicture(file: string): Picture {
  let octets: Uint8Array;
  try {
    octets = readFileSync(file);
  } catch (error) {
    throw new CannotRun(`${file} cannot be read: ${errorText(error)}.`);
  }
  if (octets.length > MAX_PHOTO_OCTETS)
    throw new CannotRun(`${file} is larger than the 1.5 MB that a photo may have; make it smaller first.`);
  const picture = plainPicture(octets);
  if (picture === null) throw new CannotRun(`${file} is neither JPEG nor PNG, or is cut short.`);
  return picture;
}

function withFacts(command: Command): Command {
  return command
    .option("--from <time>", "when it began, ISO 8601 (add: default now)")
    .option("--height <metres>", "height of the antenna; empty text takes it back, here and below")
    .option("--gain <dBi>", "gain of the antenna")
    .option("--loss <dB>", "loss of its cable")
    .option("--direction <text>", "degrees or words")
    .option("--note <text>");
}

/** Facts that were typed; an empty text takes one back. */
function facts({ height, gain, loss, direction, note }: Options): Record<string, unknown> {
  const number = (text: string) => (text.trim() === "" ? null : Number(text));
  return {
    ...(height === undefined ? {} : { heightM: number(height) }),
    ...(gain === undefined ? {} : { antennaGainDbi: number(gain) }),
    ...(loss === undefined ? {} : { cableLossDb: number(loss) }),
    ...(direction === undefined ? {} : { direction }),
    ...(note === undefined ? {} : { note }),
  };
}

const WRONG: Readonly<Record<string, string>> = {
  name: "A name is one line of at most 60 characters.",
  gatewayEui: "A gateway is named by its EUI of 16 hex digits, an antenna by EUI/number.",
  antenna: "An antenna is named by EUI/number, as in 02005E1000000004/1.",
  from: "--from takes a time such as 2026-03-14T09:00:00Z.",
  heightM: "--height takes metres, from \u2212500 to 9000.",
  antennaGainDbi: "--gain takes dBi, from \u221240 to 60.",
  cableLossDb: "--loss takes dB, from 0 to 60.",
  direction: "--direction takes at most 60 characters.",
  note: "--note takes at most 500 characters.",
};

function wrong(field: unknown): CannotRun {
  return new CannotRun(WRONG[String(field)] ?? "The placement cannot be noted like this.");
}

function change(path: string, work: PlacementWork): number {
  return enter(path, { entity: "placement", work }).result;
}

function placementTable(rows: readonly PlacementRow[]): string {
  const figure = (value: number | null) => (value === null ? "" : String(value).replace("-", "\u2212"));
  return table(rows, [
    { title: "no.", of: ({ id }) => String(id), right: true },
    { title: "name", of: ({ name }) => name },
    {
      title: "gateway",
      of: ({ gatewayEui, gatewayName, antenna }) =>
        `${gatewayName ?? gatewayEui}${antenna === null ? "" : `, antenna ${antenna}`}`,
    },
    { title: "from", of: ({ from }) => from },
    { title: "to", of: ({ to }) => to ?? "still" },
    { title: "height m", of: ({ heightM }) => figure(heightM), right: true },
    { title: "gain dBi", of: ({ antennaGainDbi }) => figure(antennaGainDbi), right: true },
    { title: "loss dB", of: ({ cableLossDb }) => figure(cableLossDb), right: true },
    { title: "direction", of: ({ direction }) => direction ?? "" },
    { title: "note", of: ({ note }) => note ?? "" },
    { title: "photo", of: ({ photo }) => (photo === null ? "" : "yes") },
  ]);
}

// `mastlog sites`: which gateways belong to which site? Lists the sites, puts gateways into one, takes them out.

const SITES_HELP = `
A gateway belongs to the site whose name you give it, or to none. Commands, views and exports take --site NAME (over HTTP
site=NAME): the gateways of the site, what they heard, and the nodes that they heard. A node that gateways of two sites
hear belongs to both. Findings of gaps ask whether all gateways of the site were silent: after a change of sites they
are made anew, by the service while it runs, else by 'mastlog rebuild'.`;

export function sitesCommand(): Command {
  return new Command("sites")
    .description("which gateways belong to which site")
    .addCommand(listSitesCommand())
    .addCommand(setSiteCommand())
    .addCommand(clearSiteCommand())
    .addHelpText("after", SITES_HELP);
}

function listSitesCommand(): Command {
  return storeCommand("list", "sites with their gateways").action((options: Options) =>
    guarded(() => {
      const sites = withReader(options.db, siteRows);
      if (options.json === true) return printJson({ sites });
      const rows = sites.flatMap(({ name, gateways }) =>
        gateways.map((gateway) => ({ site: name, ...gateway })),
      );
      const text = table(rows, [
        { title: "site", of: ({ site }) => site },
        { title: "gateway", of: ({ eui }) => eui },
        { title: "name", of: ({ name }) => name ?? "" },
      ]);
      print(rows.length === 0 ? "No site is named.\n" : `${text}\n`);
    }),
  );
}

function setSiteCommand(): Command {
  return storeCommand("set", "put gateways into a site")
    .argument("<name>", "the site's name")
    .argument("<gateway-eui...>", "identifiers of gateways, heard or not")
    .action((name: string, gateways: readonly string[], options: Options) =>
      guarded(() => {
        const site = SiteName.safeParse(name);
        if (!site.success) throw new CannotRun("A site's name is one line of at most 80 characters.");
        const euis = gateways.map(readEui);
        for (const id of euis)
          enter(options.db, { entity: "label", change: { kind: "gateway", id, site: site.data } });
        if (options.json === true) return printJson({ site: site.data, gateways: euis });
        print(`${euis.join(", ")}: site ${site.data}.\n`);
      }),
    );
}

function clearSiteCommand(): Command {
  return storeCommand("clear", "take gateways out of their site")
    .argument("<gateway-eui...>", "identifiers of gateways")
    .action((gateways: readonly string[], options: Options) =>
      guarded(() => {
        const euis = gateways.map(readEui);
        for (const id of euis)
          enter(options.db, { entity: "label", change: { kind: "gateway", id, site: null } });
        if (options.json === true) return printJson({ cleared: euis });
        print(`${euis.join(", ")}: no site.\n`);
      }),
    );
}
