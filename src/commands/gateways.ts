/** `mastlog gateways`: heartbeat, reach and account of each gateway. */
import { Command } from "commander";
import type { GatewayRow } from "../contract/gateways.ts";
import { gatewaysSentence } from "../diagnosis/sentences.ts";
import { gatewaysView } from "../views/gateways.ts";
import { askedWindow } from "../views/window.ts";
import { guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { ownPlansGiven, plansOption } from "./own-plans.ts";
import { number, print, printJson, sentenceText, table } from "./view-output.ts";

export function gatewaysCommand(): Command {
  return withViewOptions(
    new Command("gateways").description("gateways heard: keepalives, outages, restarts, region, refusals"),
  )
    .addOption(plansOption())
    .action((given: unknown) =>
      guarded(() => {
        const options = readViewOptions(given);
        const ownPlans = ownPlansGiven(given);
        withReader(options.db, (store) => {
          const window = askedWindow(store, options, Date.now() * 1000);
          const view = gatewaysView(store, window, ownPlans);
          if (options.json) return printJson(view);
          const rows = table(view.gateways, [
            { title: "gateway", of: (gateway) => gateway.eui },
            { title: "name", of: (gateway) => gateway.name ?? "" },
            { title: "receptions", of: (gateway) => String(gateway.receptions), right: true },
            { title: "crc bad", of: (gateway) => String(gateway.crcBad), right: true },
            { title: "keepalive s", of: (gateway) => number(gateway.keepaliveSeconds), right: true },
            { title: "outages", of: (gateway) => String(gateway.outages.length), right: true },
            { title: "restarts", of: (gateway) => String(gateway.restarts), right: true },
            { title: "drift ppm", of: (gateway) => number(gateway.clockDriftPpm, 2), right: true },
            { title: "region", of: (gateway) => gateway.region.name ?? "–" },
            {
              title: "refused",
              of: ({ rejected }) => String(Object.values(rejected).reduce((a, b) => a + b, 0)),
              right: true,
            },
            { title: "downlinks", of: ({ downlinks }) => String(downlinks?.asked ?? "–"), right: true },
            { title: "late", of: ({ downlinks }) => percent(downlinks?.lateShare ?? null), right: true },
            {
              title: "answer ms",
              of: ({ downlinks }) => number(downlinks?.push.medianMs ?? null),
              right: true,
            },
            { title: "last heard", of: (gateway) => gateway.lastHeard },
            { title: "", of: (gateway) => gateway.clause },
          ]);
          const sentence = sentenceText(gatewaysSentence(view.gateways, window));
          const more =
            view.moreGateways > 0 ? `${view.moreGateways} more gateways were heard and are not listed.` : "";
          const parts = [sentence, rows, more, eventLines(view.gateways)];
          print(`${parts.filter((part) => part !== "").join("\n\n")}\n`);
        });
      }),
    );
}

/** One line for each event of a gateway: when, how sure, what, and the next step. */
function eventLines(gateways: readonly GatewayRow[]): string {
  return gateways
    .flatMap(({ events }) =>
      events.map(
        ({ from, to, open, word, sentence, advice }) =>
          `${from} to ${open ? "now" : to}, ${word}: ${sentence} Next: ${advice}`,
      ),
    )
    .join("\n");
}

/** "6.6 %"; "–" where there is nothing to say. */
function percent(share: number | null): string {
  return share === null ? "–" : `${number(100 * share)} %`;
}
