/** The API's contract, whole: what the service promises and the dashboard relies on. */
export * from "./air.ts";
export * from "./bench.ts";
export * from "./capacity.ts";
export * from "./common.ts";
export * from "./gaps.ts";
export * from "./gateways.ts";
export * from "./link.ts";
export * from "./live.ts";
export * from "./nodes.ts";
export * from "./others-on-air.ts";
export * from "./service.ts";
export * from "./site.ts";
export * from "./trials.ts";
export * from "./user-data.ts";
