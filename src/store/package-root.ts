/** Where is this package's folder? Found upwards, since the code runs from `src/` and from `dist/`. */
import { existsSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";

function findRoot(): URL {
  let folder = dirname(fileURLToPath(import.meta.url));
  while (!existsSync(join(folder, "migrations"))) {
    const parent = dirname(folder);
    if (parent === folder) throw new Error("The folder 'migrations' is missing from this installation.");
    folder = parent;
  }
  return pathToFileURL(`${folder}/`);
}

/** Folder of package.json, migrations and sample-captures, with a trailing slash. */
export const packageRoot: URL = findRoot();
