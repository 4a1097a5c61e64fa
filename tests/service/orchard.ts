/** The answers that tests of the service, the publisher and the page begin with: those of a small real store. */
import { mkdtempSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { storeViews } from "../../src/service/store-views.ts";
import type { Views } from "../../src/service/views.ts";
import { openReader, openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { type UserChange, writeUserChange } from "../../src/store/user-changes.ts";
import { arrivalOf, decoded, phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";

/** The end of what is stored. */
export const NOW_MS = Date.UTC(2026, 3, 14, 10, 0, 0);
export const NODE = "01A2B3C4";
/** Against which the bench measures. */
export const REFERENCE = { eui: TOWER, maxOffsetDb: 3, maxLossPoints: 2 };

const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000, 867_100_000, 867_300_000, 867_500_000];

/** Half an hour up to NOW_MS of two gateways and a node that loses every tenth frame, with what people noted. */
function recordOrchard(path: string): void {
  const db = openStore(path);
  const recorder = new Recorder(db);
  const note = (change: UserChange) => {
    const outcome = writeUserChange(db, change);
    if (!outcome.ok) throw new Error(`${change.entity}: ${outcome.code}`);
  };
  const atS = NOW_MS / 1000 - START_US / 1e6 - 1800;
  const place = { heightM: null, antennaGainDbi: null, cableLossDb: null, direction: null, note: null };
  for (const [name, fromS] of [
    ["North parapet", -900],
    ["Tower mast", 900],
  ] as const)
    note({
      entity: "placement",
      work: {
        kind: "add",
        placement: {
          ...place,
          name,
          gatewayEui: TOWER,
          antenna: null,
          fromUs: START_US + (atS + fromS) * 1e6,
        },
      },
    });
  note({ entity: "site-name", name: "Fennick Orchard" });
  for (const [id, name, site] of [
    [SHED, "Packing shed", "Fennick Orchard"],
    [TOWER, "Water tower", "Hollow Quarry"],
  ] as const)
    note({ entity: "label", change: { kind: "gateway", id, name, site } });
  const key = "00112233445566778899AABBCCDDEEFF";
  const fileText = JSON.stringify({ nodes: [{ devAddr: NODE, nwkSKey: key, appSKey: key }] });
  note({ entity: "keys", work: { kind: "add", fileText } });
  note({ entity: "bench-reference", reference: REFERENCE });
  for (let s = 0; s < 1800; s += 10) recorder.record([pull(SHED, atS + s), pull(TOWER, atS + s + 1)]);
  for (let i = 0; i < 60; i++) {
    if (i % 10 === 5) continue;
    const heard = {
      payload: phy(NODE, i),
      // So that the region is recognised.
      frequencyHz: CHANNELS_HZ[i % CHANNELS_HZ.length] ?? 0,
      spreadingFactor: 7 + (i % 6),
    };
    const s = atS + i * 30;
    recorder.record([push(SHED, s, [heard]), push(TOWER, s + 0.01, [{ ...heard, snrDb: -3 }])]);
  }
  // Something that is no datagram of the protocol.
  recorder.record([decoded(arrivalOf(Buffer.from("hello"), NOW_MS * 1000 - 1))]);
  recorder.close();
  db.prepare(
    "INSERT INTO capture (name, digest, size, state, started_at_us) VALUES (?, '', 1000, 'reading', ?)",
  ).run("tower-afternoon.pcap", NOW_MS * 1000);
  db.close();
}

let orchard: Views | null = null;

/** What the orchard's store answers; it is made once for all files of a worker. */
export function orchardViews(): Views {
  if (orchard !== null) return orchard;
  const folder = mkdtempSync(join(tmpdir(), "mastlog-orchard-"));
  const path = join(folder, "orchard.db");
  recordOrchard(path);
  orchard = storeViews(openReader(path));
  return orchard;
}
