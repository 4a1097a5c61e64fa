/**
 * How does the program become few files? Node opens and links each module by itself, so that a thousand of them make a
 * start slow. Every entry (the program, and each thread's file) lands in one folder, as do the parts that they share.
 */
import { readdirSync } from "node:fs";
import { basename, join } from "node:path";
import { defineConfig } from "vite";
import { root } from "./ready.mjs";

const files = readdirSync(join(root, "src"), { recursive: true }).map(String);
/** A thread is started by its file's name: `new URL("./NAME-thread.js", import.meta.url)`. */
const entries = ["main.ts", ...files.filter((file) => /(^|[\\/-])thread\.ts$/.test(file))];

export default defineConfig({
  root,
  publicDir: false,
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  // A native module finds its library from its own place; all others are taken in.
  ssr: { noExternal: true, external: ["better-sqlite3"] },
  build: {
    ssr: true,
    target: "node20",
    sourcemap: true,
    minify: false,
    rolldownOptions: {
      input: Object.fromEntries(entries.map((file) => [basename(file, ".ts"), join(root, "src", file)])),
      output: {
        format: "esm",
        minify: { compress: false, mangle: false, codegen: true },
        entryFileNames: "[name].js",
        chunkFileNames: "part-[name]-[hash].js",
      },
    },
  },
});
