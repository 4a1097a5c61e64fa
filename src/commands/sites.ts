/** `mastlog sites`: which gateways belong to which site? Lists the sites, puts gateways into one, takes them out. */
import { Command } from "commander";
import { SiteName } from "../contract/common.ts";
import { siteRows } from "../views/bookkeeping.ts";
import {
  CannotRun,
  type DbOptions,
  guarded,
  print,
  printJson,
  readEui,
  storeCommand,
  table,
  withReader,
} from "./options.ts";
import { enter } from "./user-data.ts";

interface Options extends DbOptions {
  readonly json?: boolean;
}

const HELP = `
A gateway belongs to the site whose name you give it, or to none. Commands, views and exports take --site NAME (over HTTP
site=NAME): the gateways of the site, what they heard, and the nodes that they heard. A node that gateways of two sites
hear belongs to both. Findings of gaps ask whether all gateways of the site were silent: after a change of sites they
are made anew, by the service while it runs, else by 'mastlog rebuild'.`;

export function sitesCommand(): Command {
  return new Command("sites")
    .description("which gateways belong to which site")
    .addCommand(listCommand())
    .addCommand(setCommand())
    .addCommand(clearCommand())
    .addHelpText("after", HELP);
}

function listCommand(): Command {
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

function setCommand(): Command {
  return storeCommand("set", "say that gateways belong to a site")
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

function clearCommand(): Command {
  return storeCommand("clear", "say that gateways belong to no site")
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
