/** Which sample captures came with the program, and where do they lie? Only those that their index names. */
import { existsSync, readFileSync } from "node:fs";
import { basename, join } from "node:path";
import { z } from "zod";

const SampleIndex = z.array(z.object({ file: z.string() }));

export interface SampleCaptures {
  /** Path of a sample by its exact name in the index; null when there is none. */
  pathOf(file: string): string | null;
}

/** Reads `index.json` of the folder; without a folder or an index there are no samples. */
export function sampleCaptures(folder: string | null): SampleCaptures {
  const paths = new Map<string, string>();
  const index = folder === null ? null : join(folder, "index.json");
  if (folder !== null && index !== null && existsSync(index)) {
    for (const { file } of SampleIndex.parse(JSON.parse(readFileSync(index, "utf8")))) {
      if (file === basename(file)) paths.set(file, join(folder, file));
    }
  }
  return { pathOf: (file) => paths.get(file) ?? null };
}
