/** Which sample captures came with the program, and where do they lie? Only those that their index names. */
import { existsSync, readFileSync } from "node:fs";
import { basename, join } from "node:path";
import { z } from "zod";
import type { SampleRow } from "../contract/captures.ts";
import { IsoTime } from "../contract/common.ts";

const SampleIndex = z.array(
  z.object({
    file: z.string().refine((file) => file === basename(file), "a file of the folder itself"),
    title: z.string(),
    sentence: z.string(),
    fromIso: IsoTime,
    toIso: IsoTime,
    names: z
      .object({ gateways: z.record(z.string(), z.string()), nodes: z.record(z.string(), z.string()) })
      .default({ gateways: {}, nodes: {} }),
  }),
);

/** What a sample's gateways and nodes are called, for those that nobody has named. */
export interface SampleName {
  readonly kind: "gateway" | "node";
  readonly id: string;
  readonly name: string;
}

export interface SampleCaptures {
  readonly rows: readonly SampleRow[];
  /** Path of a sample by its exact name in the index; null when there is none. */
  pathOf(file: string): string | null;
  namesOf(file: string): readonly SampleName[];
}

/** Reads `index.json` of the folder; without a folder or an index there are no samples. */
export function sampleCaptures(folder: string | null): SampleCaptures {
  if (folder === null || !existsSync(join(folder, "index.json"))) {
    return { rows: [], pathOf: () => null, namesOf: () => [] };
  }
  const index = SampleIndex.parse(JSON.parse(readFileSync(join(folder, "index.json"), "utf8")));
  const rows = index.map(({ fromIso, toIso, names: _names, ...rest }) => ({
    ...rest,
    from: fromIso,
    to: toIso,
  }));
  return {
    rows,
    pathOf: (file) => (rows.some((row) => row.file === file) ? join(folder, file) : null),
    namesOf: (file) => {
      const names = index.find((sample) => sample.file === file)?.names;
      if (names === undefined) return [];
      return [...namesOf("gateway", names.gateways), ...namesOf("node", names.nodes)];
    },
  };
}

function namesOf(kind: SampleName["kind"], names: Readonly<Record<string, string>>): SampleName[] {
  return Object.entries(names).map(([id, name]) => ({ kind, id, name }));
}
