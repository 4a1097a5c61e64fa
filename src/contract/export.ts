/** Which tables can be taken out of the store, in which forms, how is that asked for over HTTP, and how far is it? */
import { z } from "zod";
import { DevAddrText, EuiText, WindowQuery } from "./common.ts";

export const EXPORT_TABLES = [
  "receptions",
  "frames",
  "nodes",
  "links",
  "gaps",
  "gateways",
  "channels",
] as const;
export const ExportTable = z.enum(EXPORT_TABLES);
export type ExportTable = z.infer<typeof ExportTable>;

export const EXPORT_FORMATS = ["csv", "jsonl", "parquet", "pcap"] as const;
export const ExportFormat = z.enum(EXPORT_FORMATS);
export type ExportFormat = z.infer<typeof ExportFormat>;

/** The question of GET /api/export. */
export const ExportQuery = WindowQuery.extend({
  what: ExportTable,
  format: ExportFormat.describe(
    "receptions as jsonl or pcap are datagrams, which `mastlog import` reads; pcap has no other table",
  ),
  gateway: EuiText.optional(),
  node: DevAddrText.optional(),
});
export type ExportQuery = z.infer<typeof ExportQuery>;

/** An export over HTTP that runs, or that ended in the last minute. */
export const ExportProgress = z.object({
  id: z.number().int().describe("counts up with each export since the service started"),
  name: z.string().describe("of the file"),
  state: z.enum(["running", "done", "broken-off", "failed"]),
  share: z.number().min(0).max(1).describe("of the window, or of the table's rows, that is written"),
  bytes: z.number().int().describe("written so far"),
});
export type ExportProgress = z.infer<typeof ExportProgress>;

/** The answer of GET /api/exports, oldest first. */
export const ExportsView = z.object({ exports: z.array(ExportProgress) });
export type ExportsView = z.infer<typeof ExportsView>;
