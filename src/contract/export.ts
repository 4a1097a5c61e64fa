/** Which tables can be taken out of the store, in which forms, and how is that asked for over HTTP? */
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
