/**
 * What holds for every byte string and every message? MASTLOG_FUZZ_RUNS sets the number of runs of each property (10,000).
 */

import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { decodeBeacon } from "../../../src/wire/lorawan/beacon.ts";
import { describeAnswer } from "../../../src/wire/lorawan/decode-answer.ts";
import { composeDevAddr, networkOf, readDevAddr } from "../../../src/wire/lorawan/device-address.ts";
import { decodeForwardedUplink, recogniseWor } from "../../../src/wire/lorawan/explain-data-frame.ts";
import { explainPayload } from "../../../src/wire/lorawan/explain-payload.ts";
import { type FieldSpan, mapFields } from "../../../src/wire/lorawan/field-map.ts";
import { COMMAND_TABLE } from "../../../src/wire/lorawan/mac-command-table.ts";
import { decodeMacCommands, encodeMacCommands } from "../../../src/wire/lorawan/mac-commands.ts";
import { hexOf, joinOctets } from "../../../src/wire/lorawan/octets.ts";
import {
  decodePhyPayload,
  encodePhyPayload,
  type PhyPayload,
} from "../../../src/wire/lorawan/phy-payload.ts";
import { encodeForwardedUplink } from "./encoders.ts";

const RUNS = Number(process.env.MASTLOG_FUZZ_RUNS ?? 10_000);
const settings = {
  numRuns: RUNS,
  ...(process.env.MASTLOG_FUZZ_SEED ? { seed: Number(process.env.MASTLOG_FUZZ_SEED) } : {}),
};
const timeout = { timeout: 60_000 + RUNS };

const FAULTS = [
  "empty",
  "unsupportedMajor",
  "wrongLength",
  "tooShort",
  "fOptsOverrun",
  "fOptsWithFPort0",
  "unknownRejoinType",
  "macPayloadTooLong",
];

const octets = (minLength: number, maxLength: number) => fc.uint8Array({ minLength, maxLength });
const hexText = (size: number) => octets(size, size).map(hexOf);
const u16 = fc.nat(65535);
const rfuBits = fc.nat(7);
const mic = octets(4, 4);

/** Random octets seldom get past the header; half of these begin like a real message of some type. */
const packet = fc.oneof(
  octets(0, 255),
  fc
    .tuple(fc.nat(7), fc.constantFrom(12, 17, 19, 23, 24, 33, 40, 255), octets(255, 255))
    .map(([mType, length, bytes]) => joinOctets(Uint8Array.of(mType << 5), bytes.subarray(0, length - 1))),
);

const dataFrame = fc
  .record({
    isUp: fc.boolean(),
    isConfirmed: fc.boolean(),
    flags: fc.tuple(fc.boolean(), fc.boolean(), fc.boolean(), fc.boolean()),
    devAddr: hexText(4),
    fCnt: u16,
    fOpts: octets(0, 15),
    fPort: fc.option(fc.nat(255)),
    frmPayload: octets(0, 227),
    mic,
    rfuBits,
  })
  .map(({ isUp, isConfirmed, flags, fOpts, fPort, frmPayload, ...rest }): PhyPayload => {
    const [adr, bit6, ack, bit4] = flags;
    const raw = (adr ? 0x80 : 0) | (bit6 ? 0x40 : 0) | (ack ? 0x20 : 0) | (bit4 ? 0x10 : 0) | fOpts.length;
    const body = {
      ...rest,
      fOpts,
      fPort: fPort === 0 && fOpts.length > 0 ? 1 : fPort,
      frmPayload: fPort === null ? new Uint8Array(0) : frmPayload,
    };
    const fOptsLength = fOpts.length;
    if (isUp) {
      const fCtrl = { adr, adrAckReq: bit6, ack, classB: bit4, fOptsLength, raw };
      return {
        messageType: isConfirmed ? "ConfirmedDataUp" : "UnconfirmedDataUp",
        direction: "up",
        fCtrl,
        ...body,
      };
    }
    const fCtrl = { adr, ack, fPending: bit4, fOptsLength, raw };
    return {
      messageType: isConfirmed ? "ConfirmedDataDown" : "UnconfirmedDataDown",
      direction: "down",
      fCtrl,
      ...body,
    };
  });

const joinRequest = fc
  .record({ joinEui: hexText(8), devEui: hexText(8), devNonce: u16, mic, rfuBits })
  .map((rest): PhyPayload => ({ messageType: "JoinRequest", direction: "up", ...rest }));

const rejoinRequest = fc
  .record({
    rejoinType: fc.constantFrom(0, 1, 2),
    id: hexText(8),
    devEui: hexText(8),
    rjCount: u16,
    mic,
    rfuBits,
  })
  .map(
    ({ id, rejoinType, ...rest }): PhyPayload => ({
      messageType: "RejoinRequest",
      direction: "up",
      rejoinType: rejoinType as 0 | 1 | 2,
      netId: rejoinType === 1 ? null : id.slice(0, 6),
      joinEui: rejoinType === 1 ? id : null,
      ...rest,
    }),
  );

const joinAccept = fc
  .record({ encrypted: fc.oneof(octets(16, 16), octets(32, 32)), rfuBits })
  .map((rest): PhyPayload => ({ messageType: "JoinAccept", direction: "down", ...rest }));

const proprietary = fc
  .record({ payload: octets(0, 254), rfuBits })
  .map((rest): PhyPayload => ({ messageType: "Proprietary", direction: "unknown", ...rest }));

const message = fc.oneof(dataFrame, joinRequest, rejoinRequest, joinAccept, proprietary);

function expectCover(spans: readonly FieldSpan[], from: number, to: number): void {
  let next = from;
  for (const span of spans) {
    if (span.at !== next || span.size < 1)
      throw new Error(`${span.name} at ${span.at}+${span.size}, expected at ${next}`);
    if (span.children !== undefined) expectCover(span.children, span.at, span.at + span.size);
    next += span.size;
  }
  if (next !== to) throw new Error(`spans end at ${next}, not at ${to}`);
}

describe("every byte string up to 255 octets", () => {
  test("gives a message, which encodes to the same octets, or a named fault inside it", timeout, () => {
    fc.assert(
      fc.property(packet, (bytes) => {
        const decoded = decodePhyPayload(bytes);
        if (decoded.ok) return hexOf(encodePhyPayload(decoded.value)) === hexOf(bytes);
        const { reason, at, layer } = decoded.fault;
        return FAULTS.includes(reason) && layer === "lorawan" && at >= 0 && at <= bytes.length;
      }),
      settings,
    );
  });

  test("has every octet in exactly one span of its map", timeout, () => {
    fc.assert(
      fc.property(packet, (bytes) => expectCover(mapFields(bytes), 0, bytes.length)),
      settings,
    );
  });

  test(
    "reads as commands, in either direction, and as beacon and relay traffic, without a throw",
    timeout,
    () => {
      fc.assert(
        fc.property(packet, fc.constantFrom("up", "down"), (bytes, direction) => {
          const { commands, unparsed, stop } = decodeMacCommands(bytes, direction);
          const read = encodeMacCommands(commands, direction).length;
          decodeBeacon(bytes);
          recogniseWor(bytes);
          decodeForwardedUplink(bytes);
          return read + unparsed.length === bytes.length && (stop === null) === (unparsed.length === 0);
        }),
        settings,
      );
    },
  );

  test("can be explained with whatever keys, without a throw", { timeout: 120_000 + RUNS * 2 }, () => {
    const key = new Uint8Array(16).fill(7);
    const keys = [
      {},
      { appSKey: key, appKey: key, nwkKey: key, nwkSEncKey: key, jsIntKey: key, sNwkSIntKey: key },
    ];
    fc.assert(
      fc.property(packet, fc.constantFrom(...keys), (bytes, chosen) => {
        const answer = explainPayload({ bytes, keys: chosen, facts: { fCntHigh: 0, txDr: 0, txCh: 0 } });
        return describeAnswer(answer).length > 0;
      }),
      settings,
    );
  });
});

describe("every message", () => {
  test("comes back from its octets as it was", timeout, () => {
    fc.assert(
      fc.property(message, (value) => {
        const decoded = decodePhyPayload(encodePhyPayload(value));
        expect(decoded).toEqual({ ok: true, value });
      }),
      settings,
    );
  });

  test("cut or with a bit flipped gives a value or a named fault", timeout, () => {
    fc.assert(
      fc.property(message, fc.nat(), fc.nat(7), fc.boolean(), (value, place, bit, isCut) => {
        const bytes = encodePhyPayload(value).slice();
        const at = place % bytes.length;
        bytes[at] = (bytes[at] as number) ^ (1 << bit);
        const damaged = isCut ? bytes.subarray(0, at) : bytes;
        const decoded = decodePhyPayload(damaged);
        expectCover(mapFields(damaged), 0, damaged.length);
        return decoded.ok || (FAULTS.includes(decoded.fault.reason) && decoded.fault.at <= damaged.length);
      }),
      settings,
    );
  });
});

describe("every list of commands", () => {
  test("comes back from its octets as it was, derived figures included", timeout, () => {
    const body = fc.tuple(fc.constantFrom(...COMMAND_TABLE), octets(33, 33));
    fc.assert(
      fc.property(fc.array(body, { maxLength: 6 }), fc.constantFrom("up", "down"), (bodies, direction) => {
        const rows = bodies.filter(([row]) => row.direction === direction);
        const bytes = joinOctets(
          ...rows.map(([row, random]) => {
            const tail = row.tailLength?.(random) ?? 0;
            return joinOctets(Uint8Array.of(row.cid), random.subarray(0, row.length + tail));
          }),
        );
        const first = decodeMacCommands(bytes, direction);
        expect(first.stop).toBeNull();
        const again = decodeMacCommands(encodeMacCommands(first.commands, direction), direction);
        expect(again.commands).toEqual(first.commands);
        expect(first.commands.map((command) => command.name)).toEqual(rows.map(([row]) => row.name));
      }),
      settings,
    );
  });
});

test("every address leads back to itself through its parts, and has a label", timeout, () => {
  fc.assert(
    fc.property(hexText(4), (devAddr) => {
      const { netIds, nwkAddr, type } = readDevAddr(devAddr);
      if (netIds === null || type === null)
        return devAddr.startsWith("FF") && networkOf(devAddr) === "no NetID type";
      return composeDevAddr(netIds.lowest, nwkAddr) === devAddr && networkOf(devAddr).length > 0;
    }),
    settings,
  );
});

test("every forwarded uplink comes back from its octets as it was", timeout, () => {
  const uplink = fc.record({
    worChannel: fc.nat(3),
    rssiDbm: fc.integer({ min: -142, max: -15 }),
    snrDb: fc.integer({ min: -20, max: 11 }),
    dataRate: fc.nat(15),
    frequencyHz: fc.nat(2 ** 24 - 1).map((steps) => steps * 100),
    phyPayload: octets(1, 100),
  });
  fc.assert(
    fc.property(uplink, (value) => {
      expect(decodeForwardedUplink(encodeForwardedUplink(value))).toEqual({ ok: true, value });
    }),
    settings,
  );
});
