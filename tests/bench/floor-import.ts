/**
 * The floor of the import benchmark: the least that could be called "read and keep". Reads a capture of IPv4 on Ethernet
 * as `mastlog export` writes it, JSON.parse, one insert a reception, a commit for each 100 datagrams. No reassembly, no
 * ledger, no roll-ups. Words: the capture, and the store to be made.
 */
import { readFileSync } from "node:fs";
import { openFloor, type Rxpk } from "./floor-store.ts";

const [, , capture = "", path = ":memory:"] = process.argv;
const bytes = readFileSync(capture);
const { db, keep } = openFloor(path, "NORMAL");

const FILE_HEAD = 24;
const RECORD_HEAD = 16;
/** Ethernet, IPv4 without options, UDP. */
const FRAME_HEAD = 14 + 20 + 8;
const PUSH_DATA = 0;

let at = FILE_HEAD;
const commit = db.transaction(() => {
  for (let i = 0; i < 100 && at < bytes.length; i++) {
    const seconds = bytes.readUInt32LE(at);
    const fraction = bytes.readUInt32LE(at + 4);
    const end = at + RECORD_HEAD + bytes.readUInt32LE(at + 8);
    const datagram = at + RECORD_HEAD + FRAME_HEAD;
    if (bytes[datagram + 3] === PUSH_DATA) {
      const body = JSON.parse(bytes.toString("utf8", datagram + 12, end)) as { rxpk?: Rxpk[] };
      const eui = bytes.toString("hex", datagram + 4, datagram + 12);
      for (const one of body.rxpk ?? []) keep(eui, seconds * 1e6 + fraction, one);
    }
    at = end;
  }
});
while (at < bytes.length) commit();
db.close();
