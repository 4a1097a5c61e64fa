/** Does every import keep to the table of layers, and do the linter's rules say the same? */
import { readdirSync, readFileSync } from "node:fs";
import { dirname, join, relative } from "node:path";
import { fileURLToPath } from "node:url";
import { describe, expect, it } from "vitest";
import { FACES, isLayerOverride, LAYERS, layerOverrides } from "../../src/setup/layers.ts";

const ROOT = fileURLToPath(new URL("../../", import.meta.url));

interface Import {
  readonly from: string;
  readonly to: string;
}

function sourceFiles(folder: string): string[] {
  return readdirSync(join(ROOT, folder), { recursive: true, encoding: "utf8" })
    .filter((name) => /\.tsx?$/.test(name))
    .map((name) => join(folder, name));
}

const FILES = [...sourceFiles("src"), ...sourceFiles("web/src")];
const IMPORTS: Import[] = FILES.flatMap((from) => {
  const text = readFileSync(join(ROOT, from), "utf8");
  return [...text.matchAll(/(?:\bfrom|\bimport)\s*\(?\s*"(\.[^"]+\.tsx?)"/g)].map(([, path = ""]) => ({
    from,
    to: relative(ROOT, join(ROOT, dirname(from), path)),
  }));
});

const folderOf = (file: string): string => {
  const [top = "", second = ""] = file.split("/");
  if (top === "web") return "web";
  return file.split("/").length > 2 ? `${top}/${second}` : "main";
};

/** Groups of files that import one another in a circle (Tarjan 1972). */
function circles(): string[][] {
  const next = new Map<string, string[]>(FILES.map((file) => [file, []]));
  for (const { from, to } of IMPORTS) next.get(from)?.push(to);
  const index = new Map<string, number>();
  const low = new Map<string, number>();
  const stack: string[] = [];
  const found: string[][] = [];
  const visit = (file: string): void => {
    index.set(file, index.size);
    low.set(file, index.get(file)!);
    stack.push(file);
    for (const other of next.get(file) ?? []) {
      if (!index.has(other)) visit(other);
      if (stack.includes(other)) low.set(file, Math.min(low.get(file)!, low.get(other)!));
    }
    if (low.get(file) !== index.get(file)) return;
    const circle = stack.splice(stack.indexOf(file));
    if (circle.length > 1) found.push(circle);
  };
  for (const file of FILES) if (!index.has(file)) visit(file);
  return found;
}

describe("the layers of the program", () => {
  it("every source folder stands in the table", () => {
    const folders = new Set(FILES.map(folderOf));
    folders.delete("main");
    const listed = new Set(LAYERS.map(({ folder }) => folder));
    expect([...folders].filter((folder) => !listed.has(folder))).toEqual([]);
  });

  it("a folder may import only folders that stand before it", () => {
    const order = LAYERS.map(({ folder }) => folder);
    for (const [at, { from }] of LAYERS.entries()) {
      for (const lower of from) expect(order.indexOf(lower)).toBeLessThan(at);
    }
  });

  it("every import keeps to the table", () => {
    const allowed = new Map(LAYERS.map(({ folder, from }) => [folder, new Set<string>([folder, ...from])]));
    const wrong = IMPORTS.filter(
      ({ from, to }) => folderOf(from) !== "main" && !allowed.get(folderOf(from))?.has(folderOf(to)),
    );
    expect(IMPORTS.length).toBeGreaterThan(1000);
    expect(wrong).toEqual([]);
  });

  it("every permission is used, but for the words, which all may import", () => {
    const used = new Set(IMPORTS.map(({ from, to }) => `${folderOf(from)} ${folderOf(to)}`));
    const idle = LAYERS.flatMap(({ folder, from }) =>
      from.filter((lower) => lower !== "src/words").map((lower) => `${folder} ${lower}`),
    ).filter((pair) => !used.has(pair));
    expect(idle).toEqual([]);
  });

  it("the inside of a part is imported by that part alone", () => {
    const wrong = IMPORTS.filter(({ from, to }) =>
      Object.entries(FACES).some(
        ([part, face]) =>
          dirname(to) === part && dirname(from) !== part && !face.includes(to.slice(part.length + 1)),
      ),
    );
    expect(wrong).toEqual([]);
  });

  it("no files import one another in a circle", () => {
    expect(circles()).toEqual([]);
  });

  it("the linter's rules are those of the table", () => {
    const { overrides } = JSON.parse(readFileSync(join(ROOT, ".biome.json"), "utf8"));
    expect(overrides.filter(isLayerOverride)).toEqual(layerOverrides());
  });
});
