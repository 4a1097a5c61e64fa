/**
 * Which letters does the dashboard carry with it? Atkinson Hyperlegible Next, made for legibility, and its monospaced
 * sister; arrows and signs from two Noto faces. All under the SIL Open Font License 1.1, from their npm packages, cut
 * to the characters and weights that are used. The page loads a file only where its characters occur.
 */
import { createHash } from "node:crypto";
import { mkdir, readFile, rename, writeFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import subsetFont from "subset-font";
import type { Plugin } from "vite";

interface Face {
  /** Name of the file that `web/src/fonts.css` names. */
  readonly name: string;
  readonly packageName: string;
  readonly file: string;
  readonly characters: string;
  readonly weights: { readonly min: number; readonly max: number } | null;
}

const range = (from: number, to: number) =>
  Array.from({ length: to - from + 1 }, (_, at) => String.fromCodePoint(from + at)).join("");
const ASCII = range(0x20, 0x7e);

const FACES: readonly Face[] = [
  {
    name: "text",
    packageName: "@fontsource-variable/atkinson-hyperlegible-next",
    file: "atkinson-hyperlegible-next-latin-wght-normal",
    characters: `${ASCII}${range(0xa0, 0xff)}\u2009–—‘’‚“”„•…‰€−`,
    weights: { min: 400, max: 700 },
  },
  {
    // Names that people give: Latin Extended-A.
    name: "text-extended",
    packageName: "@fontsource-variable/atkinson-hyperlegible-next",
    file: "atkinson-hyperlegible-next-latin-ext-wght-normal",
    characters: range(0x100, 0x17f),
    weights: { min: 400, max: 700 },
  },
  {
    name: "mono",
    packageName: "@fontsource-variable/atkinson-hyperlegible-mono",
    file: "atkinson-hyperlegible-mono-latin-wght-normal",
    characters: `${ASCII}\u00a0·–…−×`,
    weights: { min: 400, max: 600 },
  },
  {
    name: "signs",
    packageName: "@fontsource/noto-sans-symbols-2",
    file: "noto-sans-symbols-2-symbols-400-normal",
    characters: "✓▲▼✕○●■",
    weights: null,
  },
  {
    name: "arrows",
    packageName: "@fontsource/noto-sans-math",
    file: "noto-sans-math-latin-400-normal",
    characters: "←↑→↓≈≤≥√∞Σσρμλ",
    weights: null,
  },
];

const packages = new URL("../node_modules/", import.meta.url);
/** Where `fonts.css` finds the cut files; beside the packages, since they are made from them. */
const folder = new URL(".mastlog-fonts/", packages);

/** Cuts the faces before a build where they are not cut yet, asks for the first early, and lays their licences beside them. */
export function subsetFonts(): Plugin {
  return {
    name: "subset-fonts",
    async buildStart() {
      await mkdir(folder, { recursive: true });
      for (const face of FACES) await cutFace(face);
    },
    async generateBundle() {
      const names = [...new Set(FACES.map(({ packageName }) => packageName))];
      const texts = await Promise.all(
        names.map(
          async (name) => `${name}\n\n${await readFile(new URL(`${name}/LICENSE`, packages), "utf8")}`,
        ),
      );
      this.emitFile({ type: "asset", fileName: "fonts-LICENSE.txt", source: texts.join("\n\n") });
    },
    transformIndexHtml(_html, { bundle }) {
      const first = Object.keys(bundle ?? {}).find((file) => /(^|\/)text-[^/.]*\.woff2$/.test(file));
      if (first === undefined) return [];
      const attrs = { rel: "preload", as: "font", type: "font/woff2", crossorigin: "", href: `./${first}` };
      return [{ tag: "link", attrs, injectTo: "head-prepend" }];
    },
  };
}

/** Writes one cut file, whole or not at all: several builds may run side by side. */
async function cutFace({ name, packageName, file, characters, weights }: Face): Promise<void> {
  const whole = await readFile(new URL(`${packageName}/files/${file}.woff2`, packages));
  const key = createHash("sha256")
    .update(whole)
    .update(JSON.stringify([characters, weights]))
    .digest("hex");
  const stamp = new URL(`${name}.key`, folder);
  if ((await readFile(stamp, "utf8").catch(() => "")) === key) return;
  const cut = await subsetFont(whole, characters, {
    targetFormat: "woff2",
    ...(weights === null ? {} : { variationAxes: { wght: { ...weights, default: 400 } } }),
  });
  const replace = async (target: URL, content: Uint8Array | string) => {
    const aside = `${fileURLToPath(target)}.${process.pid}`;
    await writeFile(aside, content);
    await rename(aside, target);
  };
  await replace(new URL(`${name}.woff2`, folder), cut);
  await replace(stamp, key);
}
