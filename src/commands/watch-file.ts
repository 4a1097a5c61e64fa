/** The file of `listen --watches`, with the secrets that stand elsewhere: in the environment or in files of their own. */
import { readFileSync } from "node:fs";
import { dirname, resolve } from "node:path";
import { z } from "zod";
import { WatchFile } from "../contract/watches.ts";
import { CannotRun } from "./options.ts";
import { readSmall } from "./publish-options.ts";

/** Stands in place of a text of a recipient. */
const Elsewhere = z.union([
  z.strictObject({ env: z.string().min(1) }),
  z.strictObject({ file: z.string().min(1) }),
]);

const MAX_SECRET_OCTETS = 1_000_000;

/** Returns what the file says. Throws CannotRun with one sentence, which shows no secret. */
export function readWatchFile(file: string, environment: NodeJS.ProcessEnv): WatchFile {
  let data: unknown;
  try {
    data = JSON.parse(readFileSync(file, "utf8"));
  } catch (error) {
    const why = error instanceof Error ? error.message : String(error);
    throw new CannotRun(`The file of watches ${file} cannot be read: ${why}.`);
  }
  const parsed = WatchFile.safeParse(withTexts(data, file, environment));
  if (parsed.success) return parsed.data;
  const [issue] = parsed.error.issues;
  const place = issue?.path.join(".") || "its top";
  throw new CannotRun(`The file of watches ${file} is not valid at ${place}: ${issue?.message ?? ""}.`);
}

const Recipients = z.looseObject({ tell: z.array(z.record(z.string(), z.unknown())) });

function withTexts(data: unknown, watchFile: string, environment: NodeJS.ProcessEnv): unknown {
  const parsed = Recipients.safeParse(data);
  if (!parsed.success) return data;
  const tell = parsed.data.tell.map((way, index) =>
    Object.fromEntries(
      Object.entries(way).map(([name, value]) => {
        const elsewhere = Elsewhere.safeParse(value);
        return [name, elsewhere.success ? textOf(elsewhere.data, `tell.${index}.${name}`) : value];
      }),
    ),
  );
  return { ...parsed.data, tell };

  function textOf(elsewhere: z.infer<typeof Elsewhere>, place: string): string {
    if ("file" in elsewhere) {
      const path = resolve(dirname(watchFile), elsewhere.file);
      // An editor ends a file with a line break that belongs to no secret.
      return readSmall(path, MAX_SECRET_OCTETS, `${place} in ${watchFile}`).replace(/\r?\n$/, "");
    }
    const text = environment[elsewhere.env];
    if (text !== undefined && text !== "") return text;
    throw new CannotRun(
      `The environment variable ${elsewhere.env}, named at ${place} in ${watchFile}, is not set.`,
    );
  }
}
