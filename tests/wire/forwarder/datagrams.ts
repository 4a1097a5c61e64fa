/** What do the tests of this folder build their datagrams with? Bytes written by hand, not by the encoders under test. */
import { expect } from "vitest";
import type { PushData, RadioPacket, StatusReport, TxAck } from "../../../src/model/datagram.ts";
import { decodeUpstream } from "../../../src/wire/forwarder/upstream.ts";

export const gatewayEui = "02005E1000000001";
const euiHex = "02005e1000000001";

export const goodPacket = {
  tmst: 2748120031,
  chan: 2,
  rfch: 1,
  freq: 868.5,
  stat: 1,
  modu: "LORA",
  datr: "SF9BW125",
  codr: "4/5",
  lsnr: 6.2,
  rssi: -91,
  size: 18,
  data: "QOfCpAGAKgACax+cPl2KF8BL",
};

export const hex = (text: string): Uint8Array => new Uint8Array(Buffer.from(text.replaceAll(" ", ""), "hex"));

/** Head of the given identifier and version, token 3C9E, then the body as it stands. */
export function datagram(identifier: number, body: string | Uint8Array, version = 2): Uint8Array {
  const head = Buffer.from(`00 3c9e 00 ${euiHex}`.replaceAll(" ", ""), "hex");
  head[0] = version;
  head[3] = identifier;
  return new Uint8Array(Buffer.concat([head, typeof body === "string" ? Buffer.from(body) : body]));
}

export const push = (body: string | Uint8Array): Uint8Array => datagram(0, body);

/** A PUSH_DATA whose only packet is the good one with some keys replaced (undefined: left out). */
export function pushPacket(changes: Record<string, unknown>): Uint8Array {
  return push(JSON.stringify({ rxpk: [{ ...goodPacket, ...changes }] }));
}

/** A PUSH_DATA whose only packet is written with one raw JSON value. */
export function pushRaw(key: string, rawValue: string): Uint8Array {
  const others = Object.fromEntries(Object.entries(goodPacket).filter(([name]) => name !== key));
  return push(`{"rxpk":[{"${key}":${rawValue},${JSON.stringify(others).slice(1)}]}`);
}

export interface Reading {
  readonly datagram: PushData;
  readonly packets: readonly RadioPacket[];
  readonly packet: RadioPacket | undefined;
  readonly status: StatusReport | null;
  /** Reasons in order; a trailing `*` says that the raw datagram is worth keeping. */
  readonly reasons: readonly string[];
}

/** Decodes a PUSH_DATA that must have a good head. */
export function readPush(bytes: Uint8Array): Reading {
  const decoded = decodeUpstream(bytes);
  if (!decoded.ok || decoded.datagram.kind !== "push-data")
    throw new Error(`no PUSH_DATA: ${JSON.stringify(decoded)}`);
  const { packets, status } = decoded.datagram;
  const reasons = decoded.oddities.map((oddity) => oddity.reason + (oddity.keepRaw ? "*" : ""));
  return { datagram: decoded.datagram, packets, packet: packets[0], status, reasons };
}

export function readTxAck(
  body: string | Uint8Array,
  version = 2,
): { outcome: TxAck["outcome"]; reasons: string[] } {
  const decoded = decodeUpstream(datagram(5, body, version));
  if (!decoded.ok || decoded.datagram.kind !== "tx-ack")
    throw new Error(`no TX_ACK: ${JSON.stringify(decoded)}`);
  return {
    outcome: decoded.datagram.outcome,
    reasons: decoded.oddities.map((oddity) => oddity.reason + (oddity.keepRaw ? "*" : "")),
  };
}

/** Expects a refusal of the head and gives its reason. */
export function refusal(bytes: Uint8Array): string {
  const decoded = decodeUpstream(bytes);
  expect(decoded.ok).toBe(false);
  return decoded.ok ? "" : decoded.fault.reason;
}
