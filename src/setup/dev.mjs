/** `npm run dev`: service and dashboard, built and started anew at every change. */
import { spawn } from "node:child_process";
import { join } from "node:path";
import { makeReady, root, toolPath } from "./ready.mjs";

makeReady();
const tool = (name, ...args) =>
  spawn(process.execPath, [toolPath(name), ...args], { cwd: root, stdio: "inherit" });
const children = [
  tool("typescript/tsc", "-p", "tsconfig.json", "--watch", "--preserveWatchOutput"),
  tool("vite/vite", "build", "--config", "web/vite.config.ts", "--watch", "--logLevel", "warn"),
  spawn(
    process.execPath,
    ["--watch", join(root, "dist/server/main.js"), "listen", ...process.argv.slice(2)],
    {
      cwd: root,
      stdio: "inherit",
    },
  ),
];
for (const signal of ["SIGINT", "SIGTERM"]) {
  process.on(signal, () => {
    for (const child of children) child.kill(signal);
  });
}
