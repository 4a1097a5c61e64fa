/**
 * What the measure of a receiver says of the open receptions: nobody knows those receivers, but a LoRa demodulator at SF7
 * that lay more than 1.5 dB off its data sheet would be news, and a measure that finds one is the likelier to be wrong.
 */
import { describe, expect, it } from "vitest";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { receiverView } from "../../src/views/receiver.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { gatewayEuis, indoorNode, storeOf } from "./open-receptions.ts";

/** SX1276 data sheet, Table 13, SF7. */
const FLOOR_DB = -7.5;
/** As published: the one indoors' best gateway, and one that heard it on good days. */
const HEARD = ["b3032f39", "93ddec05"];

describe("receivers of the open receptions", () => {
  const rows = indoorNode();
  const euis = gatewayEuis(rows);
  const db = storeOf(rows);
  const window = resolveWindow({}, 0, storedSpanUs(db));
  const measured = (short: string) => receiverView(db, window, euis.get(short) ?? "");

  it("demodulate SF7 within 1.5 dB of the data sheet where there is enough to tell", () => {
    for (const short of HEARD) {
      const view = measured(short);
      const [factor] = view?.factors ?? [];
      expect([view?.basis, view?.verdict, factor?.spreadingFactor], short).toEqual(["others", "sound", 7]);
      const [low = 0, high = 0] = factor?.interval95 ?? [];
      expect(Math.abs((factor?.levelDb ?? 0) - FLOOR_DB), short).toBeLessThan(1.5);
      expect(high - low, short).toBeLessThan(3);
    }
  });

  it("are not judged where next to nothing was heard", () => {
    for (const [short] of euis)
      if (!HEARD.includes(short)) expect(measured(short)?.verdict, short).toBe("not enough");
  });
});
