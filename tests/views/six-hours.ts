/** Six hours of traffic for the tests of what is gathered and kept of whole hours. */
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { phy, pull, push, SHED, TOWER } from "../store/traffic.ts";

export const HOURS = 6;
const NODES = 5;

/** Address of one of the nodes. */
export const nodeOf = (node: number) => (0x0100_0000 + node).toString(16).toUpperCase().padStart(8, "0");

/** Six hours from just before a full hour: two gateways, five nodes, losses, repeats, a restart, damaged packets. */
export function traffic(seed: number): DecodedArrival[] {
  let state = seed + 1;
  const chance = () => {
    state = (Math.imul(state, 1_103_515_245) + 12_345) & 0x7fff_ffff;
    return state / 0x8000_0000;
  };
  const all: DecodedArrival[] = [];
  let token = 0;
  const restartS = 9_000 + chance() * 6_000;
  for (const [gateway, eui] of [SHED, TOWER].entries())
    for (let s = 1; s < HOURS * 3_600; s += 30)
      if (gateway === 0 || s < 8_000 || s > 9_500) all.push(pull(eui, s, token++ % 65_536));
  for (let node = 0; node < NODES; node++) {
    let counter = 60_000;
    for (let s = 5 + node * 11; s < HOURS * 3_600; s += 95 + node * 20) {
      if (node === 2 && Math.floor(s / 5_000) === 2 && counter > 50_000) counter = 0;
      const sent = {
        payload: phy(nodeOf(node), counter++),
        frequencyHz: 868_100_000 + Math.floor(chance() * 3) * 200_000,
      };
      for (const again of chance() < 0.05 ? [0, 6] : [0])
        for (const [gateway, eui] of [SHED, TOWER].entries()) {
          if (chance() < 0.15 || (gateway === 1 && s > 8_000 && s < 9_500)) continue;
          const atS = s + again + gateway * 0.03;
          const tmstUs =
            Math.round((atS > restartS && gateway === 0 ? atS - restartS : atS + 4_000) * 1e6) %
            4_294_967_296;
          const crc = chance() < 0.03 ? ("bad" as const) : ("ok" as const);
          const snrDb = Math.round(chance() * 60) / 4 - 8;
          const heard = { ...sent, tmstUs, crc, snrDb, rssiDbm: -90 - Math.round(chance() * 30) };
          // In one hour a weak copy of each strong packet on the next channel, decoded at the same count.
          const isCopied = crc === "ok" && s > 13_000 && s < 14_000;
          const copy = { ...heard, frequencyHz: sent.frequencyHz + 200_000, rssiDbm: -125, snrDb: -9 };
          all.push(push(eui, atS, isCopied ? [heard, copy] : [heard], token++ % 65_536));
        }
    }
  }
  return all.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}
