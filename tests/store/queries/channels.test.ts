import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { MinutePacker } from "../../../src/store/hours/channel-minutes.ts";
import { openStore } from "../../../src/store/open.ts";
import { channelCells } from "../../../src/store/queries/channels.ts";
import { gatewayRow } from "./rows.ts";

const row = fc.record({
  gatewayId: fc.integer({ min: 1, max: 3 }),
  frequencyHz: fc.constantFrom(433_175_000, 868_100_000, 868_300_000, 868_500_000, 2_422_000_000),
  minute: fc.integer({ min: 0, max: 150 }),
  receptions: fc.integer({ min: 0, max: 50 }),
  busyUs: fc.integer({ min: 0, max: 60_000_000 }),
});
const rows = fc.uniqueArray(row, {
  maxLength: 60,
  selector: ({ gatewayId, frequencyHz, minute }) => `${gatewayId}/${frequencyHz}/${minute}`,
});

describe("channel minutes in cells", () => {
  it("sum up every minute of the stretch in its cell, whichever channels there are and hours are packed", () => {
    fc.assert(
      fc.property(
        rows,
        fc.integer({ min: 0, max: 140 }),
        fc.integer({ min: 1, max: 151 }),
        fc.integer({ min: 1, max: 9 }),
        fc.subarray([0, 1, 2]),
        (minutes, from, length, size, packedHours) => {
          const db = openStore(":memory:");
          for (const id of [1, 2, 3]) gatewayRow(db, id);
          const insert = db.prepare("INSERT INTO channel_minute VALUES (?, ?, ?, ?, 0, ?, ?)");
          const expected = new Map<string, { receptions: number; busyUs: number }>();
          for (const { gatewayId, frequencyHz, minute, receptions, busyUs } of minutes) {
            insert.run(gatewayId, frequencyHz, minute, receptions, busyUs, busyUs);
            if (minute < from || minute >= from + length) continue;
            const key = `${gatewayId}/${frequencyHz}/${Math.floor((minute - from) / size)}`;
            const sum = expected.get(key) ?? { receptions: 0, busyUs: 0 };
            expected.set(key, {
              receptions: sum.receptions + receptions,
              busyUs: sum.busyUs + busyUs,
            });
          }
          const packer = new MinutePacker(db);
          for (const hour of packedHours) packer.pack(hour);
          const cells = channelCells(db, from, from + length, size);
          db.close();
          expect(
            new Map(
              cells.map(({ gatewayId, frequencyHz, cell, receptions, busyUs }) => [
                `${gatewayId}/${frequencyHz}/${cell}`,
                { receptions, busyUs },
              ]),
            ),
          ).toEqual(expected);
          expect(cells).toHaveLength(expected.size);
        },
      ),
      { numRuns: 60 },
    );
  });
});
