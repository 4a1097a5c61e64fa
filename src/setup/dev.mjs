/** `npm run dev`: the service from source, started anew at every change, and the dashboard built at every change. */
import { spawn } from "node:child_process";
import { join } from "node:path";
import { makeReady, root } from "./ready.mjs";

makeReady();
const bin = (name) => join(root, "node_modules/.bin", name);
const children = [
  spawn(bin("vite"), ["build", "--config", "web/vite.config.ts", "--watch", "--logLevel", "warn"], {
    cwd: root,
    stdio: "inherit",
  }),
  spawn(bin("tsx"), ["watch", "src/main.ts", "listen", ...process.argv.slice(2)], {
    cwd: root,
    stdio: "inherit",
  }),
];
for (const signal of ["SIGINT", "SIGTERM"]) {
  process.on(signal, () => {
    for (const child of children) child.kill(signal);
  });
}
