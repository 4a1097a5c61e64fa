/** `mastlog air`: how full each channel is, at each gateway. */
import { Command } from "commander";
import { percent } from "../diagnosis/standing.ts";
import { storedSpanUs } from "../store/queries/lives.ts";
import { airView } from "../views/air.ts";
import { resolveWindow } from "../views/window.ts";
import { guarded, readViewOptions, withReader, withViewOptions } from "./options.ts";
import { number, printJson, sentenceText, table } from "./view-output.ts";

export function airCommand(): Command {
  return withViewOptions(
    new Command("air").description("channels: utilisation, offered load, wrong CRCs, noise floor, strangers"),
  ).action((given: unknown) =>
    guarded(() => {
      const options = readViewOptions(given);
      withReader(options.db, (store) => {
        const view = airView(store, resolveWindow(options, Date.now() * 1000, storedSpanUs(store)));
        if (options.json) return printJson(view);
        const rows = table(view.channels, [
          { title: "gateway", of: (channel) => channel.gatewayName ?? channel.gatewayEui },
          { title: "MHz", of: (channel) => (channel.frequencyHz / 1e6).toFixed(3), right: true },
          { title: "receptions", of: (channel) => String(channel.receptions), right: true },
          { title: "airtime s", of: (channel) => number(channel.airtimeSeconds, 2), right: true },
          { title: "busy s", of: (channel) => number(channel.busySeconds, 2), right: true },
          { title: "utilisation", of: (channel) => percent(channel.utilisation), right: true },
          {
            title: "crc bad",
            of: (channel) => (channel.crcBadRatio === null ? "–" : percent(channel.crcBadRatio)),
            right: true,
          },
          { title: "noise dBm", of: (channel) => number(channel.noiseFloorDbm), right: true },
          { title: "strangers s", of: (channel) => number(channel.strangerAirtimeSeconds, 2), right: true },
        ]);
        const parts = [sentenceText(view.sentence), rows, view.caution].filter((part) => part !== "");
        process.stdout.write(`${parts.join("\n\n")}\n`);
      });
    }),
  );
}
