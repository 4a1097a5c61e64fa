/** `mastlog nodes`: what the Nodes view shows. */
import { Command } from "commander";
import type { NodeRow } from "../contract/index.ts";
import { percent, span } from "../diagnosis/standing.ts";
import { nodesView } from "../views/nodes.ts";
import { askedWindow } from "../views/window.ts";
import { guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { number, print, printJson, sentenceText, table } from "./view-output.ts";

export function nodesCommand(): Command {
  return withViewOptions(
    new Command("nodes").description("nodes heard: delivery by counters, signal, rhythm, airtime"),
  ).action((given: unknown) =>
    guarded(() => {
      const options = readViewOptions(given);
      withReader(options.db, (store) => {
        const view = nodesView(store, askedWindow(store, options, Date.now() * 1000));
        if (options.json) return printJson(view);
        const own = view.nodes.filter((node) => !node.stranger);
        const strangers = view.nodes.filter((node) => node.stranger);
        print(`${sentenceText(view.sentence)}\n`);
        if (own.length > 0) print(`\n${nodeTable(own)}\n`);
        if (strangers.length > 0) print(`\nStrangers\n${nodeTable(strangers)}\n`);
      });
    }),
  );
}

function nodeTable(nodes: readonly NodeRow[]): string {
  return table(nodes, [
    { title: "address", of: (node) => node.devAddr },
    { title: "life", of: (node) => String(node.life), right: true },
    { title: "name", of: (node) => node.name ?? "" },
    { title: "heard", of: (node) => String(node.heard), right: true },
    { title: "missed", of: (node) => String(node.missed), right: true },
    { title: "outage", of: (node) => String(node.missedDuringOutage), right: true },
    {
      title: "delivery",
      of: (node) => (node.deliveryRatio === null ? "–" : percent(node.deliveryRatio)),
      right: true,
    },
    { title: "rssi dBm", of: (node) => number(node.rssiDbm.median), right: true },
    { title: "snr dB", of: (node) => number(node.snrDb.median), right: true },
    { title: "margin dB", of: (node) => number(node.marginDb.median), right: true },
    {
      title: "rhythm",
      of: (node) => (node.rhythmSeconds === null ? "–" : span(node.rhythmSeconds)),
      right: true,
    },
    { title: "last heard", of: (node) => node.lastHeard },
    { title: "", of: (node) => `${node.clause}${node.why == null ? "" : `: ${node.why.words}`}` },
  ]);
}
