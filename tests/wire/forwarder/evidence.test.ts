/** Do whole datagrams of both directions read as they should? Each case is a file of tests/data/forwarder. */
import { readdirSync, readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { decodeDownstream } from "../../../src/wire/forwarder/downstream.ts";
import {
  encodePullAck,
  encodePullData,
  encodePullResponse,
  encodePushAck,
  encodePushData,
  encodeTxAck,
  type SendableOutcome,
} from "../../../src/wire/forwarder/encode.ts";
import { decodeUpstream } from "../../../src/wire/forwarder/upstream.ts";
import { hex } from "./datagrams.ts";

interface Case {
  readonly title: string;
  readonly direction: "upstream" | "downstream";
  readonly hex: string;
  readonly expected: unknown;
}

const folder = new URL("../../data/forwarder/", import.meta.url);
const cases = readdirSync(folder)
  .filter((name) => name.endsWith(".json"))
  .map((name) => JSON.parse(readFileSync(new URL(name, folder), "utf8")) as Case);

/** Payloads stand in the files as hex. */
function withHexPayloads(value: unknown): unknown {
  return JSON.parse(
    JSON.stringify(value, (_, field) =>
      field instanceof Uint8Array ? Buffer.from(field).toString("hex").toUpperCase() : field,
    ),
  );
}

function encodeAgain(bytes: Uint8Array, direction: Case["direction"]): Uint8Array | null {
  const decoded = direction === "upstream" ? decodeUpstream(bytes) : decodeDownstream(bytes);
  if (!decoded.ok) return null;
  const { datagram } = decoded;
  switch (datagram.kind) {
    case "push-data":
      return encodePushData(datagram);
    case "pull-data":
      return encodePullData(datagram);
    case "tx-ack":
      return encodeTxAck({ ...datagram, outcome: datagram.outcome as SendableOutcome });
    case "push-ack":
      return encodePushAck(datagram);
    case "pull-ack":
      return encodePullAck(datagram);
    case "pull-response":
      return (
        datagram.transmission && encodePullResponse({ ...datagram, transmission: datagram.transmission })
      );
  }
}

describe("datagrams of the protocol's description", () => {
  test("the folder of evidence holds every kind of datagram", () => {
    const kinds = new Set(cases.map((one) => (one.expected as { kind: string }).kind));
    expect([...kinds].sort()).toEqual([
      "pull-ack",
      "pull-data",
      "pull-response",
      "push-ack",
      "push-data",
      "tx-ack",
    ]);
  });

  test.each(cases)(
    "$title reads as its file says, with nothing odd",
    ({ direction, hex: text, expected }) => {
      const decoded = direction === "upstream" ? decodeUpstream(hex(text)) : decodeDownstream(hex(text));
      expect(decoded.ok).toBe(true);
      if (!decoded.ok) return;
      expect(withHexPayloads(decoded.datagram)).toEqual(expected);
      expect(decoded.oddities).toEqual([]);
    },
  );

  test.each(cases)("$title is written octet for octet as it was read", ({ direction, hex: text }) => {
    const again = encodeAgain(hex(text), direction);
    expect(again && Buffer.from(again).toString("latin1")).toBe(Buffer.from(hex(text)).toString("latin1"));
  });

  test.each(cases)("$title cut anywhere gives a value or a named fault", ({ direction, hex: text }) => {
    const whole = hex(text);
    for (let length = 0; length < whole.length; length++) {
      const cut = whole.subarray(0, length);
      const decoded = direction === "upstream" ? decodeUpstream(cut) : decodeDownstream(cut);
      if (decoded.ok) {
        const { datagram } = decoded;
        if (datagram.kind === "push-data") expect(datagram.packets.length).toBeLessThanOrEqual(1);
        if (datagram.kind === "tx-ack" && length > 12) expect(datagram.outcome.result).toBe("unreadable");
        if (length > 12 || datagram.kind === "push-data") expect(decoded.oddities.length).toBeGreaterThan(0);
      } else {
        expect(["short", "short_eui"]).toContain(decoded.fault.reason);
        expect(decoded.fault.have).toBe(length);
      }
    }
  });
});
