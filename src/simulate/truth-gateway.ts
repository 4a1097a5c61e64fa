/** What is true of one gateway? From the datagrams counted to the figures of truth-schema.ts. */
import type { GatewayActor } from "./gateway-actor.ts";
import type { TruthGateway } from "./truth-schema.ts";

/** Datagrams of one gateway, and what was in them. */
export interface GatewayRecord {
  copies: number;
  pushData: number;
  pullData: number;
  statusReports: number;
  datagramsLost: number;
  receptions: number;
  crcBad: number;
  ghosts: number;
  pullResponses: number;
  txAcks: number;
  txRefused: number;
}

export function noDatagrams(): GatewayRecord {
  return {
    copies: 0,
    pushData: 0,
    pullData: 0,
    statusReports: 0,
    datagramsLost: 0,
    receptions: 0,
    crcBad: 0,
    ghosts: 0,
    pullResponses: 0,
    txAcks: 0,
    txRefused: 0,
  };
}

/** `time`: a moment of the run as world time. Outages and restarts after `untilUs` are left out. */
export function gatewayTruth(
  { config, powerOutages, backhaulOutages, transmitter }: GatewayActor,
  figures: GatewayRecord,
  untilUs: number,
  time: (atUs: number) => string,
): TruthGateway {
  const outages = [
    ...powerOutages.map((stretch) => ({ ...stretch, kind: "power" as const })),
    ...backhaulOutages.map((stretch) => ({ ...stretch, kind: "backhaul" as const })),
  ].filter(({ fromUs }) => fromUs < untilUs);
  const { copies, pushData, pullData, txAcks } = figures;
  return {
    eui: config.eui,
    name: config.name,
    protocolVersion: config.protocolVersion,
    datagrams: copies + pushData + pullData + txAcks,
    copies,
    pushData,
    pullData,
    statusReports: figures.statusReports,
    datagramsLost: figures.datagramsLost,
    receptions: figures.receptions,
    crcBad: figures.crcBad,
    ghosts: figures.ghosts,
    pullResponses: figures.pullResponses,
    txAcks,
    txRefused: figures.txRefused,
    transmitted: transmitter.totals.count,
    transmitSeconds: transmitter.totals.seconds,
    restarts: powerOutages.filter(({ toUs }) => toUs <= untilUs).length,
    outages: outages
      .sort((a, b) => a.fromUs - b.fromUs)
      .map(({ fromUs, toUs, kind }) => ({ from: time(fromUs), to: time(toUs), kind })),
  };
}
