#!/usr/bin/env node
/** One Mastlog command, on a checkout that is made ready first: `npm start`, `npm run mastlog -- …`, `npx mastlog …`. */
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { makeReady, root } from "./ready.mjs";

makeReady();
await import(pathToFileURL(join(root, "dist/program/main.js")).href);
