/** What is a mark about, and where do its words lead? */
import type { MarkRow } from "../../../src/contract/marks.ts";

type About = Pick<MarkRow, "gatewayEui" | "gatewayName" | "devAddr" | "nodeName">;

/** "Packing shed", "01A2B3C4", or "the site". */
export function markAbout({ gatewayEui, gatewayName, devAddr, nodeName }: About): string {
  return gatewayName ?? gatewayEui ?? nodeName ?? devAddr ?? "the site";
}

/** Marks that concern a gateway: its own and the site's. */
export function marksOfGateway(marks: readonly MarkRow[], eui: string): MarkRow[] {
  return marks.filter((mark) => mark.devAddr === null && (mark.gatewayEui ?? eui) === eui);
}

/** Marks that concern a node: its own, those of the site, and those of the gateways that hear it. */
export function marksOfNode(marks: readonly MarkRow[], devAddr: string, euis: readonly string[]): MarkRow[] {
  return marks.filter((mark) =>
    mark.devAddr === null
      ? mark.gatewayEui === null || euis.includes(mark.gatewayEui)
      : mark.devAddr === devAddr,
  );
}
