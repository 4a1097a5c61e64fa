/** The API's contract, whole: what the service promises and the dashboard relies on. */
export * from "./air.ts";
export * from "./air-gateway.ts";
export * from "./airtime.ts";
export * from "./bench.ts";
export * from "./captures.ts";
export * from "./common.ts";
export * from "./gaps.ts";
export * from "./gateways.ts";
export * from "./keys.ts";
export * from "./link.ts";
export * from "./live.ts";
export * from "./marks.ts";
export * from "./nodes.ts";
export * from "./passage.ts";
export * from "./site.ts";
export * from "./status.ts";
export * from "./trials.ts";
