/**
 * Currents of the power table against published ones. Transmit: SX1276/77/78/79 data sheet, table of power consumption,
 * IDDT, as two public drivers quote it. Receive: SX1272/73 data sheet, Rev. 2, July 2014, Table 16, IDDR_L at 125 kHz.
 */
import { expect, it } from "vitest";
import { transmitCurrentMa, USUAL_POWER } from "../../src/radio/capacity/charge.ts";

it("the power table has the data sheet's currents", () => {
  expect([7, 13, 17, 20].map(transmitCurrentMa)).toEqual([20, 29, 87, 120]);
  expect(USUAL_POWER.receiveMa).toBe(10.8);
});
