/**
 * Bodies in which any key may hold any JSON value, as text: so that keys may repeat, numbers may be too large for a
 * double, and `__proto__` is a key like any other.
 */
import * as fc from "fast-check";
import { datagram } from "./datagrams.ts";

/** Keys that mean something to JavaScript when an object is converted, copied, awaited or looked up. */
const SPECIAL_KEYS = [
  "toString",
  "valueOf",
  "toJSON",
  "__proto__",
  "constructor",
  "prototype",
  "hasOwnProperty",
  "length",
  "then",
  "message",
  "code",
  "",
];

const PACKET = {
  tmst: "3512348611",
  time: '"2026-03-14T09:00:00.000000Z"',
  tmms: "1457514018000",
  ftime: "12345",
  chan: "2",
  rfch: "0",
  freq: "868.300000",
  mid: "8",
  stat: "1",
  modu: '"LORA"',
  datr: '"SF7BW125"',
  codr: '"4/5"',
  rssis: "-98",
  lsnr: "6.2",
  foff: "-120",
  rssi: "-97",
  size: "16",
  data: '"QMSyogGAAQACVQEABAFVAwA="',
  rsig: '[{"ant":0,"chan":2,"lsnr":6.2,"rssic":-97,"rssis":-98,"foff":12}]',
  delayed: "true",
  jver: "1",
  brd: "0",
  aesk: "0",
};
const STATUS = {
  time: '"2026-03-14 09:00:00 GMT"',
  lati: "46.24000",
  long: "3.25230",
  alti: "145",
  rxnb: "2",
  rxok: "2",
  rxfw: "2",
  ackr: "100.0",
  dwnb: "2",
  txnb: "2",
  temp: "21.5",
  pfrm: '"packing shed"',
  mail: '""',
  desc: '"orchard"',
};
const TRANSMISSION = {
  imme: "false",
  tmst: "3513348611",
  tmms: "1457514019000",
  freq: "868.3",
  rfch: "0",
  powe: "14",
  modu: '"LORA"',
  datr: '"SF7BW125"',
  codr: '"4/5"',
  fdev: "3000",
  ipol: "true",
  prea: "8",
  size: "16",
  data: '"YMSyogGAAQACVQEABAFVAwA="',
  ncrc: "true",
  nhdr: "false",
};
const OUTCOME = { error: '"TOO_LATE"', warn: '"TX_POWER"', value: "14" };

const EVERY_KEY = [
  ...new Set([
    ...SPECIAL_KEYS,
    ..."rxpk stat txpk txpk_ack".split(" "),
    ...[PACKET, STATUS, TRANSMISSION, OUTCOME].flatMap((fields) => Object.keys(fields)),
    ..."ant rssic unknown-key".split(" "),
  ]),
];

const key = fc.oneof({ weight: 9, arbitrary: fc.constantFrom(...EVERY_KEY) }, fc.string({ maxLength: 6 }));

const leaf = fc.oneof(
  fc.constantFrom(
    "null",
    "true",
    "false",
    "0",
    "-0",
    "1",
    "-1",
    '""',
    "[]",
    "{}",
    "1e999",
    "-1e999",
    "1e-999",
  ),
  fc.constantFrom(
    "9007199254740993",
    "4294967296",
    "2147483648",
    "18446744073709551616",
    "0.1",
    "868.3",
    "5e-324",
  ),
  fc.double({ noNaN: true, noDefaultInfinity: true }).map(String),
  fc.maxSafeInteger().map(String),
  fc.string({ unit: "binary", maxLength: 12 }).map((text) => JSON.stringify(text)),
  fc.constantFrom(...[PACKET, STATUS, TRANSMISSION, OUTCOME].flatMap((fields) => Object.values(fields))),
  // Deep, up to more than the decoder takes.
  fc
    .tuple(key, fc.nat(18))
    .map(([name, depth]) => `${`{${JSON.stringify(name)}:`.repeat(depth)}0${"}".repeat(depth)}`),
);

const objectText = (entries: readonly (readonly [string, string])[]): string =>
  `{${entries.map(([name, value]) => `${JSON.stringify(name)}:${value}`).join(",")}}`;

/** Any JSON value, as text. */
export const anyValue: fc.Arbitrary<string> = fc.letrec<{ value: string }>((tie) => ({
  value: fc.oneof(
    { maxDepth: 4 },
    { weight: 3, arbitrary: leaf },
    { weight: 2, arbitrary: fc.array(fc.tuple(key, tie("value")), { maxLength: 4 }).map(objectText) },
    { weight: 1, arbitrary: fc.array(tie("value"), { maxLength: 4 }).map((list) => `[${list.join(",")}]`) },
  ),
})).value;

/** A usual object of which some keys are left out, and some hold any value; a value of any kind now and then. */
function fields(usual: Readonly<Record<string, string>>): fc.Arbitrary<string> {
  const entry = fc.tuple(
    fc.oneof({ weight: 4, arbitrary: fc.constantFrom(...Object.keys(usual)) }, key),
    anyValue,
  );
  const object = fc
    .tuple(
      fc.array(fc.constantFrom(...Object.keys(usual)), { maxLength: 3 }),
      fc.array(entry, { maxLength: 4 }),
    )
    .map(([without, replaced]) => {
      const kept = Object.entries(usual).filter(([name]) => !without.includes(name));
      return objectText([
        ...kept.filter(([name]) => !replaced.some(([other]) => other === name)),
        ...replaced,
      ]);
    });
  return fc.oneof({ weight: 9, arbitrary: object }, anyValue);
}

const packets = fc.oneof(
  { weight: 9, arbitrary: fc.array(fields(PACKET), { maxLength: 4 }).map((list) => `[${list.join(",")}]`) },
  fields(PACKET),
);
const others = fc.array(fc.tuple(key, anyValue), { maxLength: 2 });

const body = (name: string, value: fc.Arbitrary<string>): fc.Arbitrary<string> =>
  fc.tuple(value, others).map(([inner, more]) => objectText([[name, inner], ...more]));

/** The datagram with the body, under any token. */
function under(identifier: number, text: fc.Arbitrary<string>): fc.Arbitrary<Uint8Array> {
  return fc.tuple(text, fc.nat(65_535)).map(([json, token]) => {
    const bytes = datagram(identifier, json);
    bytes.set([token >> 8, token & 255], 1);
    return bytes;
  });
}

/** PUSH_DATA with any `rxpk`, any `stat`, any other keys. */
export const anyPush = under(
  0,
  fc.oneof(
    { weight: 4, arbitrary: body("rxpk", packets) },
    body("stat", fields(STATUS)),
    fc.tuple(packets, fields(STATUS)).map(([rxpk, stat]) =>
      objectText([
        ["rxpk", rxpk],
        ["stat", stat],
      ]),
    ),
    others.map(objectText),
    anyValue,
  ),
);

/** TX_ACK with any `txpk_ack`. */
export const anyTxAck = under(
  5,
  fc.oneof({ weight: 4, arbitrary: body("txpk_ack", fields(OUTCOME)) }, anyValue),
);

/** PULL_RESP with any `txpk`. */
export const anyPullResponse = under(
  3,
  fc.oneof({ weight: 4, arbitrary: body("txpk", fields(TRANSMISSION)) }, anyValue),
  // A server's datagram has no EUI in its head.
).map((bytes) => Uint8Array.from([...bytes.subarray(0, 4), ...bytes.subarray(12)]));
