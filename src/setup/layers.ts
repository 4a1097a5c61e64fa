/**
 * The layers of the program: which folder may import which. A folder stands below those that import it, so no circle
 * of folders can arise. `npm run layers` writes the linter's rules from this table; a test compares both with the code.
 */
import { readFileSync, writeFileSync } from "node:fs";
import { fileURLToPath } from "node:url";

const NO_FILES = { "node:fs": "This folder reads no file: bytes are handed in." };
const NO_SOCKETS = {
  "node:dgram": "Sockets belong to src/intake.",
  "node:net": "Sockets belong to src/intake.",
};
const NO_SQL = { "better-sqlite3": "SQL belongs to src/store." };
const NO_HTTP = { fastify: "HTTP belongs to src/service." };
const PURE = { ...NO_FILES, ...NO_SOCKETS, ...NO_SQL, ...NO_HTTP };

interface Layer {
  readonly folder: string;
  /** The folders that it may import. */
  readonly from: readonly string[];
  /** Modules that it may not import, each with the reason. */
  readonly never: Readonly<Record<string, string>>;
}

/** Lowest first. */
export const LAYERS: readonly Layer[] = [
  {
    folder: "src/words",
    from: [],
    never: { ...PURE, zod: "The dashboard loads src/words: no schema library." },
  },
  { folder: "src/model", from: ["src/words"], never: PURE },
  { folder: "src/statistics", from: [], never: PURE },
  { folder: "src/contract", from: ["src/words"], never: PURE },
  { folder: "src/wire", from: ["src/model"], never: PURE },
  {
    folder: "src/radio",
    from: ["src/words", "src/model", "src/statistics"],
    never: PURE,
  },
  { folder: "src/ledger", from: ["src/words", "src/model", "src/wire", "src/radio"], never: PURE },
  {
    folder: "src/diagnosis",
    from: ["src/words", "src/model", "src/statistics", "src/contract", "src/radio"],
    never: PURE,
  },
  {
    folder: "src/store",
    from: ["src/words", "src/model", "src/statistics", "src/wire", "src/radio", "src/ledger"],
    never: { ...NO_SOCKETS, ...NO_HTTP },
  },
  { folder: "src/drawings", from: ["src/words", "src/contract"], never: PURE },
  {
    folder: "src/report",
    from: ["src/words", "src/contract", "src/drawings"],
    never: { ...NO_FILES, ...NO_SQL, ...NO_HTTP },
  },
  {
    folder: "src/intake",
    from: ["src/words", "src/model", "src/wire", "src/ledger", "src/diagnosis", "src/store"],
    never: NO_HTTP,
  },
  {
    folder: "src/views",
    from: [
      "src/words",
      "src/model",
      "src/statistics",
      "src/contract",
      "src/wire",
      "src/radio",
      "src/ledger",
      "src/diagnosis",
      "src/store",
      "src/report",
    ],
    never: { ...NO_SOCKETS, ...NO_SQL, ...NO_HTTP },
  },
  {
    folder: "src/export",
    from: ["src/model", "src/contract", "src/wire", "src/store", "src/views"],
    never: { ...NO_FILES, ...NO_SOCKETS, ...NO_SQL, ...NO_HTTP },
  },
  { folder: "src/simulate", from: ["src/model", "src/wire", "src/radio"], never: { ...NO_SQL, ...NO_HTTP } },
  {
    folder: "src/service",
    from: [
      "src/words",
      "src/model",
      "src/contract",
      "src/wire",
      "src/radio",
      "src/diagnosis",
      "src/store",
      "src/report",
      "src/intake",
      "src/views",
      "src/export",
    ],
    never: NO_SQL,
  },
  {
    folder: "src/commands",
    from: [
      "src/words",
      "src/model",
      "src/contract",
      "src/wire",
      "src/radio",
      "src/ledger",
      "src/diagnosis",
      "src/store",
      "src/report",
      "src/intake",
      "src/views",
      "src/export",
      "src/simulate",
      "src/service",
    ],
    never: { ...NO_SQL, ...NO_HTTP },
  },
  { folder: "src/setup", from: [], never: {} },
  { folder: "web", from: ["src/words", "src/contract", "src/drawings"], never: { ...NO_SQL, ...NO_HTTP } },
];

/** Parts of a folder whose inside is their own: other folders import only the files named here. */
export const FACES: Readonly<Record<string, readonly string[]>> = {
  "src/diagnosis/findings": ["company.ts", "gateway.ts", "judge.ts", "observations.ts"],
  "src/ledger/keys": ["counters.ts", "file.ts", "joins.ts", "proof.ts"],
  "src/ledger/gaps": ["gap-detector.ts", "intervals.ts", "loss-detector.ts"],
  "src/ledger/link": ["command-text.ts", "data-rate.ts", "events.ts"],
  "src/intake/relay": ["copies.ts", "messages.ts", "start.ts", "targets.ts"],
  "src/views/trials": ["mark-effect.ts", "sides.ts", "trials.ts"],
  "src/export": ["export.ts"],
};

interface Override {
  readonly includes: readonly string[];
  readonly linter?: { readonly rules?: { readonly style?: { readonly noRestrictedImports?: unknown } } };
}

/** Returns the linter's overrides that hold the table: one for each folder. */
export function layerOverrides(): Override[] {
  return LAYERS.map(({ folder, from, never }) => {
    const forbidden = LAYERS.map((layer) => layer.folder).filter(
      (other) => other !== folder && other !== "src/setup" && !from.includes(other),
    );
    // "web" is a folder of the repository, the others are recognised by the folder's own name.
    const group = forbidden.map((other) => (other === "web" ? "**/web/src/**" : `**/${other.slice(4)}/**`));
    const names = from.map((other) => other.slice(4)).join(", ");
    const message = `${folder} imports ${names === "" ? "no other folder" : `only ${names}`} (src/setup/layers.ts).`;
    return {
      includes: [`${folder}/**`],
      linter: {
        rules: {
          style: {
            noRestrictedImports: {
              level: "error",
              options: {
                patterns: [{ group, message }],
                ...(Object.keys(never).length > 0 && { paths: never }),
              },
            },
          },
        },
      },
    };
  });
}

/** True for an override that this table makes. */
export function isLayerOverride(override: Override): boolean {
  return override.linter?.rules?.style?.noRestrictedImports !== undefined;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const path = fileURLToPath(new URL("../../.biome.json", import.meta.url));
  const settings: { overrides?: Override[] } = JSON.parse(readFileSync(path, "utf8"));
  const others = (settings.overrides ?? []).filter((override) => !isLayerOverride(override));
  settings.overrides = [...layerOverrides(), ...others];
  writeFileSync(path, `${JSON.stringify(settings, null, 2)}\n`);
}
