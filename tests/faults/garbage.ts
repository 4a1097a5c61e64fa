/** What might arrive at an open UDP port? Noise, and sound datagrams with damage; all of it from a seed. */
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { keepalive, uplink } from "../process/gateway-socket.ts";
import { packet, phy } from "../store/traffic.ts";
import { below, type Chance } from "./chance.ts";

/** Longest datagram made here: one that passes a usual network whole. */
const LONGEST = 1_400;

/** One datagram: noise one time in four, else a sound one with none to eight changes. */
export function* garbage(chance: Chance, count: number): Generator<Uint8Array> {
  for (let i = 0; i < count; i++) {
    if (below(chance, 4) === 0) yield noise(chance);
    else yield mutated(chance, soundDatagram(chance, i));
  }
}

function noise(chance: Chance): Uint8Array {
  const bytes = Uint8Array.from({ length: below(chance, below(chance, 10) === 0 ? LONGEST : 40) }, () =>
    below(chance, 256),
  );
  // Half of it begins like the protocol, so that it gets beyond the first test.
  if (bytes.length > 3 && below(chance, 2) === 0) {
    bytes[0] = 1 + below(chance, 2);
    bytes[3] = below(chance, 7);
  }
  return bytes;
}

function soundDatagram(chance: Chance, i: number): Uint8Array {
  switch (below(chance, 4)) {
    case 0:
      return keepalive(i % 65_536);
    case 1:
      return withBody(i, `{"stat":{"time":"2026-03-14 09:00:00 GMT","rxnb":${i},"rxok":1,"ackr":100.0}}`);
    case 2:
      return encodePushData({
        version: 1,
        token: i % 65_536,
        gatewayEui: "02005E1000000002",
        packets: [0, 1, 2].map((n) =>
          packet({ payload: phy("01A2F000", i), tmstUs: i * 1_000 + n * 100_000 }),
        ),
        status: null,
      });
    default:
      return uplink(i, { base: 0x01a3_0000 }).bytes;
  }
}

function withBody(token: number, body: string): Uint8Array {
  const head = [2, (token >> 8) & 255, token & 255, 0, 0x02, 0x00, 0x5e, 0x10, 0, 0, 0, 1];
  return Buffer.concat([Uint8Array.from(head), Buffer.from(body)]);
}

function mutated(chance: Chance, sound: Uint8Array): Uint8Array {
  let bytes = Buffer.from(sound);
  for (let changes = below(chance, 9); changes > 0; changes--) {
    const at = below(chance, bytes.length + 1);
    const length = below(chance, 30);
    switch (below(chance, 6)) {
      case 0:
        bytes = bytes.subarray(0, at);
        break;
      case 1:
        bytes = Buffer.concat([bytes.subarray(0, at), bytes.subarray(at + length)]);
        break;
      case 2:
        bytes = Buffer.concat([bytes.subarray(0, at), bytes.subarray(at, at + length), bytes.subarray(at)]);
        break;
      case 3:
        bytes = Buffer.concat([
          bytes.subarray(0, at),
          Buffer.alloc(length, below(chance, 256)),
          bytes.subarray(at),
        ]);
        break;
      default:
        // Structure of the JSON, most of the time: what a parser trips over.
        if (at < bytes.length)
          bytes[at] =
            below(chance, 2) === 0 ? below(chance, 256) : '{}[]",:0-e.n\\'.charCodeAt(below(chance, 13));
    }
    bytes = Buffer.from(bytes.subarray(0, LONGEST));
  }
  return bytes;
}

/** Keys of packets, reports, downlinks and outcomes, and those that mean something to JavaScript. */
const KEYS = (
  "tmst time tmms ftime chan rfch freq mid stat modu datr codr rssis lsnr foff rssi size data rsig delayed ant rssic " +
  "lati long alti rxnb rxok rxfw ackr dwnb txnb temp pfrm mail desc error warn value rxpk txpk txpk_ack " +
  "toString valueOf toJSON __proto__ constructor length then"
).split(" ");
const VALUES = (
  'null true false 0 -0 1 -1 1e999 -1e999 5e-324 4294967296 9007199254740993 0.1 868.3 "" [] {} "LORA" "FSK" "SF7BW125" ' +
  '"4/5" "2026-03-14T09:00:00Z" "QMSyogGAAQACVQEABAFVAwA=" "TOO_LATE" "NONE" "\\u0000\\u001b[2J" "\\ud800"'
).split(" ");

const pick = <T>(chance: Chance, list: readonly T[]): T => list[below(chance, list.length)] as T;

/** Any JSON value, as text, at most five levels deep. */
function anyValue(chance: Chance, depth = 0): string {
  const kind = depth > 4 ? 0 : below(chance, 5);
  if (kind < 3) return pick(chance, VALUES);
  const parts = Array.from({ length: below(chance, 4) }, () => anyValue(chance, depth + 1));
  if (kind === 3) return `[${parts.join(",")}]`;
  return `{${parts.map((value) => `"${pick(chance, KEYS)}":${value}`).join(",")}}`;
}

/** A sound packet of which up to three keys hold any JSON value. */
function hostilePacket(chance: Chance, i: number): string {
  const fields = new Map([
    ["tmst", String((i * 997) % 4_294_967_296)],
    ["chan", "2"],
    ["rfch", "0"],
    ["freq", "868.3"],
    ["stat", "1"],
    ["modu", '"LORA"'],
    ["datr", '"SF7BW125"'],
    ["codr", '"4/5"'],
    ["lsnr", "6.2"],
    ["rssi", "-97"],
    ["size", "16"],
    ["data", `"${Buffer.from(phy("01A4F000", i)).toString("base64")}"`],
  ]);
  for (let n = below(chance, 4); n > 0; n--) fields.set(pick(chance, KEYS), anyValue(chance));
  return `{${[...fields].map(([key, value]) => `"${key}":${value}`).join(",")}}`;
}

/** A sound head, and a body in which any key may hold any JSON value. */
export function hostileJson(chance: Chance, i: number): Uint8Array {
  const stat = `{"time":"2026-03-14 09:00:00 GMT","rxnb":${i},"${pick(chance, KEYS)}":${anyValue(chance)}}`;
  switch (below(chance, 5)) {
    case 0:
      return withBody(i, `{"rxpk":[${hostilePacket(chance, i)},${hostilePacket(chance, i + 1)}]}`);
    case 1:
      return withBody(i, `{"rxpk":[${hostilePacket(chance, i)}],"stat":${stat}}`);
    case 2:
      return withBody(i, `{"rxpk":${anyValue(chance)},"stat":${anyValue(chance)}}`);
    case 3: {
      const ack = withBody(i, `{"txpk_ack":{"error":${anyValue(chance)},"warn":${anyValue(chance)}}}`);
      ack[3] = 5;
      return ack;
    }
    default:
      return withBody(i, anyValue(chance));
  }
}
