/** What did the newest frames of one's own nodes hold? For a report that was asked for it; keys never come out. */
import type { NodesView } from "../contract/nodes.ts";
import type { ReportPayload } from "../report/report-data.ts";
import type { Store } from "../store/open.ts";
import { frameView, receptionPage } from "./receptions.ts";
import type { AskedWindow } from "./window.ts";

const FRAMES_A_NODE = 5;
const MOST_NODES = 60;
/** Receptions looked through for that many frames: each may be heard by several gateways. */
const RECEPTIONS_A_NODE = 40;

export function reportPayloads(store: Store, window: AskedWindow, view: NodesView): ReportPayload[] {
  const own = view.nodes.filter(({ stranger }) => !stranger).slice(0, MOST_NODES);
  return own.flatMap(({ devAddr, life, name }) => {
    const page = receptionPage(store, { devAddr, life, window, limit: RECEPTIONS_A_NODE });
    const seen = new Set<number>();
    return (page?.receptions ?? []).flatMap(({ frameId, at, counter, port }) => {
      if (frameId === null || seen.has(frameId) || seen.size >= FRAMES_A_NODE) return [];
      seen.add(frameId);
      const frame = frameView(store, frameId);
      if (frame === null) return [];
      const { hex, decryptedHex: clearHex, decryptedText: clearText } = frame;
      return [{ devAddr, life, name, at, counter, port, hex, clearHex, clearText }];
    });
  });
}
