import fc from "fast-check";
import { expect, it } from "vitest";
import { packDatagrams, unpackDatagrams } from "../../src/intake/datagram-batch.ts";

const endpoint = fc.record({ address: fc.ipV4(), port: fc.integer({ min: 0, max: 65_535 }) });

it("datagrams cross to the recorder as they were, octet by octet", () => {
  fc.assert(
    fc.property(
      fc.array(
        fc.record({
          bytes: fc.uint8Array({ maxLength: 40 }),
          atUs: fc.integer({ min: 0, max: 2 ** 51 }),
          from: endpoint,
          to: endpoint,
          sourceFault: fc.constantFrom("source" as const, "loop" as const, null),
          sentTo: fc.constantFrom("02005E1000000001", null),
        }),
        { maxLength: 20 },
      ),
      (datagrams) => {
        const batch = packDatagrams(datagrams);
        const arrived = structuredClone(batch, { transfer: [batch.octets.buffer] });
        expect(unpackDatagrams(arrived)).toEqual(datagrams);
        expect(batch.octets.length).toBe(0);
      },
    ),
  );
});
