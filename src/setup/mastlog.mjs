#!/usr/bin/env node
/**
 * One Mastlog command. In a checkout it is made ready first (`npm start`, `npm run mastlog -- …`); an installed package
 * (`mastlog …`, `npx mastlog …`) is built already.
 */
import { existsSync } from "node:fs";
import { bindingFault, bindingSentence, buildNeedsHere } from "./native.mjs";

if (existsSync(new URL("../main.ts", import.meta.url))) {
  const { makeReady } = await import("./ready.mjs");
  makeReady();
} else {
  const major = Number(process.versions.node.split(".")[0]);
  const fault = major < 20 ? null : bindingFault();
  const trouble =
    major < 20
      ? `Mastlog needs Node 20 or newer; this is ${process.version}.`
      : fault && `${bindingSentence(fault, process.version)}\n${buildNeedsHere()}`;
  if (trouble !== null) {
    process.stderr.write(`${trouble}\n`);
    process.exit(2);
  }
}
await import(new URL("../../dist/program/main.js", import.meta.url).href);
