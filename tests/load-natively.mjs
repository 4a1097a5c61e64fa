/**
 * For tests whose modules Node itself loads (`--import` of this file, see vitest.config.ts): TypeScript without its types,
 * and a style sheet or a picture as an empty module. Functions are left as they are, so that they run as in the program.
 */
import { readFile } from "node:fs/promises";
import { register } from "node:module";
import { fileURLToPath } from "node:url";
import { transformSync } from "rolldown/utils";

// Node calls `load` in a thread of its own, which loads this file once more.
const AS_HOOKS = "?hooks";
if (!import.meta.url.endsWith(AS_HOOKS)) {
  process.setSourceMapsEnabled(true);
  register(`${import.meta.url}${AS_HOOKS}`);
}

/** The hook of Node's module loader (nodejs.org/api/module.html, customization hooks). */
export async function load(url, context, next) {
  // Vitest asks for a file anew by a query.
  const [path] = url.split("?");
  if (/\.(css|svg)$/.test(path)) return asModule('export default "";');
  if (!/^file:.*\.tsx?$/.test(path)) return next(url, context);
  const file = fileURLToPath(url);
  const { code, map, errors } = transformSync(file, await readFile(file, "utf8"), {
    jsx: { runtime: "automatic", importSource: "preact" },
    sourcemap: true,
    tsconfig: false,
  });
  if (errors.length > 0) throw new SyntaxError(`${file}: ${errors[0].message}`);
  const text = Buffer.from(JSON.stringify(map)).toString("base64");
  return asModule(`${code}\n//# sourceMappingURL=data:application/json;base64,${text}`);
}

const asModule = (source) => ({ format: "module", source, shortCircuit: true });
