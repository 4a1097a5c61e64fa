/**
 * A thread that takes one table out of the store for one request, with a connection of its own, a piece at a time as it
 * is asked for. Started by exports.ts; ends with the last piece, or is terminated when nobody reads any more.
 */
import { parentPort, workerData } from "node:worker_threads";
import { type ExportPiece, type ExportScope, exportName, exportPieces } from "../export/export.ts";
import { setThreadPriority } from "../intake/system.ts";
import { narrowToSite } from "../store/narrowed.ts";
import { openFurtherReader, type Store } from "../store/open.ts";
import { askedWindow } from "../views/window.ts";
import { siteProblem } from "./errors.ts";
import type { ExportOrder, FromExportThread } from "./exports.ts";
import { failureOf } from "./reading-messages.ts";

/** Who records and who answers gateways come first. Chosen, as for reading threads. */
const GIVES_WAY = 10;

const port = parentPort;
if (port === null) throw new Error("src/service/export-thread.ts runs as a worker thread only.");
const say = (message: FromExportThread): void => port.postMessage(message);

function open(store: Store, { query, nowUs }: ExportOrder): Generator<ExportPiece> {
  const { what, format, gateway, node, ...window } = query;
  const scope: ExportScope = {
    window: askedWindow(store, window, nowUs),
    gatewayEui: gateway,
    devAddr: node,
  };
  say({ kind: "begun", name: exportName(what, format, scope) });
  return exportPieces(store, what, format, scope);
}

function narrowOrSay(store: Store, site: string): void {
  try {
    narrowToSite(store, site);
  } catch (error) {
    store.close();
    throw siteProblem(error);
  }
}

setThreadPriority(GIVES_WAY);
try {
  const order = workerData as ExportOrder;
  const store = openFurtherReader(order.file);
  if (order.query.site !== undefined) narrowOrSay(store, order.query.site);
  const pieces = open(store, order);
  port.on("message", () => {
    try {
      const { value, done } = pieces.next();
      if (done !== true) {
        say({ kind: "piece", bytes: value.bytes, share: Math.min(1, Math.max(0, value.share)) });
        return;
      }
      store.close();
      say({ kind: "end" });
    } catch (error) {
      say({ kind: "failed", failure: failureOf(error) });
    }
  });
} catch (error) {
  say({ kind: "failed", failure: failureOf(error) });
}
