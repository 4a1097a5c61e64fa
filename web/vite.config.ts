// How is the dashboard built? One page, hashed assets, nothing inlined: the service's content policy allows
// scripts and styles from its own origin only.
import { defineConfig } from "vite";
import { compressed } from "./compress.ts";
import { subsetFonts } from "./fonts.ts";

export default defineConfig({
  root: new URL(".", import.meta.url).pathname,
  base: "./",
  plugins: [subsetFonts(), compressed()],
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  build: {
    outDir: "../dist/web",
    emptyOutDir: true,
    assetsInlineLimit: 0,
    // One sheet: the order of its rules does not hang on which view came first.
    cssCodeSplit: false,
    modulePreload: { polyfill: false },
    target: "es2022",
    // The first build cuts the letters and takes seconds for it.
    rolldownOptions: { checks: { pluginTimings: false } },
  },
});
