/** What is made of a body that is not the JSON it should be? Rows 23 to 47 and 80 to 84 of the checklist of broken input. */
import { describe, expect, test } from "vitest";
import { answerFor } from "../../../src/wire/forwarder/header.ts";
import { refusedReasons } from "../../../src/wire/forwarder/upstream.ts";
import { countWork } from "./count-work.ts";
import { goodPacket, push, pushPacket, pushRaw, readPush } from "./datagrams.ts";

const packetText = JSON.stringify(goodPacket);
const good = `{"rxpk":[${packetText}]}`;
const statusText =
  '{"time":"2026-03-14 09:26:53 GMT","rxnb":7,"rxok":5,"rxfw":5,"ackr":100.0,"dwnb":1,"txnb":1';
const latin1 = (text: string): Uint8Array => new Uint8Array(Buffer.from(text, "latin1"));
const goodReading = readPush(push(good));

/** Body refused whole: no packets, no status, answered all the same. */
function expectRefusedBody(body: string | Uint8Array, reason: string): void {
  const { packets, status, reasons } = readPush(push(body));
  expect(packets).toEqual([]);
  expect(status).toBeNull();
  expect(reasons).toContain(`${reason}*`);
  expect(refusedReasons.has(reason)).toBe(true);
  expect(answerFor(push(body))).not.toBeNull();
}

function expectGoodPacketWith(body: string | Uint8Array, ...reasons: string[]): void {
  const reading = readPush(push(body));
  expect(reading.packets).toEqual(goodReading.packets);
  expect(reading.reasons).toEqual(reasons);
}

describe("bodies with something around them", () => {
  test("the unbroken body has nothing odd", () => {
    expect(goodReading.reasons).toEqual([]);
    expect(goodReading.packets).toHaveLength(1);
  });

  test("23: valid JSON followed by NULs is stripped and accepted", () => {
    expectGoodPacketWith(`${good}\0\0`, "trailing");
    expectGoodPacketWith(`${good}\r\n`, "trailing");
  });

  test("24: of valid JSON followed by other bytes or a second object only the first object is accepted", () => {
    expectGoodPacketWith(`${good}{"stat":${statusText}}}`, "trailing*");
    expectGoodPacketWith(`${good}xyz`, "trailing*");
    expectGoodPacketWith(Buffer.concat([Buffer.from(good), Buffer.from([0xff, 0xfe])]), "trailing*");
  });

  test("25: leading white space or a UTF-8 byte order mark is stripped", () => {
    for (const before of [" \n", "\uFEFF", "\uFEFF "]) expectGoodPacketWith(before + good, "leading");
  });
});

describe("JSON that is cut or spoilt", () => {
  test("26: of JSON cut in the middle of rxpk nothing is salvaged", () => {
    for (let length = 1; length < good.length - 1; length++) {
      expectRefusedBody(good.slice(0, length), "json_syntax");
    }
    const two = `{"rxpk":[${packetText},${packetText}`;
    expectRefusedBody(two, "json_syntax");
  });

  test("27: a stat cut by a buffer is repaired up to its last whole field", () => {
    const { status, reasons } = readPush(push(`{"stat":${statusText},"pfrm":"Mast","desc}`));
    expect(status).toMatchObject({ rxReceived: 7, txEmitted: 1, platform: "Mast", description: null });
    expect(reasons).toEqual(["stat_repaired*"]);
  });

  test("27: a stat cut by a buffer behind whole packets costs no packet", () => {
    const { packets, status, reasons } = readPush(
      push(`{"rxpk":[${packetText}],"stat":${statusText},"desc":"on the mas}`),
    );
    expect(packets).toEqual(goodReading.packets);
    expect(status).toMatchObject({ rxReceived: 7, description: null });
    expect(reasons).toEqual(["stat_repaired*"]);
  });

  test("27: a stat cut before its first field is dropped", () => {
    expectRefusedBody('{"stat":{"time":"2026', "json_syntax");
  });

  test("28: a missing final brace is repaired only if one brace completes it", () => {
    expectGoodPacketWith(good.slice(0, -1), "json_repaired*");
    const { status, reasons } = readPush(push(`{"stat":${statusText}}`));
    expect(status).toMatchObject({ rxReceived: 7 });
    expect(reasons).toEqual(["json_repaired*"]);
    expectRefusedBody(good.slice(0, -2), "json_syntax");
  });

  test("29: invalid UTF-8 inside a string is replaced and accepted", () => {
    const { status, reasons } = readPush(push(latin1(`{"stat":${statusText},"desc":"M\u00fchle \u00e9"}}`)));
    expect(status?.description).toBe("M\uFFFDhle \uFFFD");
    expect(reasons).toEqual(["utf8*"]);
  });

  test("29: valid UTF-8 is no oddity, not even the replacement character itself", () => {
    const { status, reasons } = readPush(push(`{"stat":${statusText},"desc":"Mühle \uFFFD"}}`));
    expect(status?.description).toBe("Mühle \uFFFD");
    expect(reasons).toEqual([]);
  });

  test("30: invalid UTF-8 outside strings refuses the body", () => {
    expectRefusedBody(latin1(good.replace('{"rxpk"', '{\u00ff"rxpk"')), "json_syntax");
  });

  test("31: raw control characters or an unescaped quote in desc refuse the stat and never crash", () => {
    for (const description of ["line\u0001", "two\nlines", 'a "fine" mast', '5" pole', "\\"]) {
      const body = `"stat":${statusText},"desc":"${description}"}}`;
      const alone = readPush(push(`{${body}`));
      expect(alone.status).toBeNull();
      expect(alone.reasons).toEqual(["json_syntax*"]);
      const behindPackets = readPush(push(`{"rxpk":[${packetText}],${body}`));
      expect(behindPackets.packets).toEqual(goodReading.packets);
      expect(behindPackets.status).toBeNull();
      expect(behindPackets.reasons).toEqual(["json_syntax*"]);
    }
  });

  test("32: a root that is an array, number, string or null refuses the body", () => {
    for (const body of [`[${packetText}]`, "17", '"rxpk"', "null", "true"])
      expectRefusedBody(body, "json_root");
  });

  test("41: nesting 10 000 deep is refused without stack overflow, at more than 16 levels", () => {
    expectRefusedBody("[".repeat(10_000), "json_depth");
    expectRefusedBody('{"a":'.repeat(10_000), "json_depth");
    const nested = (levels: number): string =>
      `{"x":${"[".repeat(levels - 1)}${"]".repeat(levels - 1)},"rxpk":[]}`;
    expectRefusedBody(nested(17), "json_depth");
    expect(readPush(push(nested(16))).reasons).toEqual(["rxpk_empty"]);
  });

  test("41: brackets inside strings are not nesting", () => {
    const { status } = readPush(push(JSON.stringify({ stat: { rxnb: 1, desc: `"${"[".repeat(100)}\\` } })));
    expect(status?.rxReceived).toBe(1);
  });

  test("44: NaN, nan, Infinity and -inf as a number are read as null and marked", () => {
    for (const word of ["NaN", "nan", "-nan", "Infinity", "-Infinity", "inf", "-inf"]) {
      const { packet, reasons } = readPush(pushRaw("lsnr", word));
      expect(packet).toEqual({
        ...goodReading.packet,
        signals: [{ ...goodReading.packet!.signals[0]!, snrDb: null }],
      });
      expect(reasons).toEqual(["json_nan*"]);
    }
  });

  test("44: the word inside a string is left alone", () => {
    const { status } = readPush(push(`{"stat":{"rxnb":nan,"desc":"a :nan, and \\"inf"}}`));
    expect(status).toMatchObject({ rxReceived: null, description: 'a :nan, and "inf' });
  });

  test("50: tmst with leading zeros is repaired for this key", () => {
    const { packet, reasons } = readPush(pushRaw("tmst", "0012345678"));
    expect(packet?.tmstUs).toBe(12_345_678);
    expect(reasons).toEqual(["json_repaired*"]);
    expect(readPush(pushRaw("tmst", "0000000000")).packet?.tmstUs).toBe(0);
    expectRefusedBody(JSON.stringify({ rxpk: [goodPacket] }).replace('"chan":2', '"chan":02'), "json_syntax");
  });
});

describe("objects with the wrong things in them", () => {
  test("33: a root object with neither rxpk nor stat is accepted with nothing to store", () => {
    for (const body of ["{}", '{"other":1}', '{"rxpk":null,"stat":null}']) {
      const { packets, status, reasons } = readPush(push(body));
      expect({ packets, status }).toEqual({ packets: [], status: null });
      expect(reasons).toEqual(["body_unknown*"]);
    }
  });

  test("34: a root object that holds txpk or txpk_ack in PUSH_DATA has those keys ignored", () => {
    for (const key of ["txpk", "txpk_ack"]) {
      expectGoodPacketWith(`{"${key}":{"imme":true},"rxpk":[${packetText}]}`, "body_unknown*");
      expect(readPush(push(`{"${key}":{}}`)).reasons).toEqual(["body_unknown*"]);
    }
  });

  test("35: rxpk as an empty array is accepted", () => {
    expect(readPush(push('{"rxpk":[]}'))).toMatchObject({ packets: [], reasons: ["rxpk_empty"] });
  });

  test("36: rxpk that is an object instead of an array is one element", () => {
    expectGoodPacketWith(`{"rxpk":${packetText}}`, "rxpk_object*");
  });

  test("37: rxpk that holds null, numbers, strings skips these elements and keeps siblings", () => {
    const { packets, reasons } = readPush(push(`{"rxpk":[null,${packetText},7,"x",[],${packetText}]}`));
    expect(packets).toEqual([...goodReading.packets, ...goodReading.packets]);
    expect(reasons).toEqual(Array(4).fill("rxpk_element*"));
  });

  test("38: rxpk and stat in one datagram, either order, are both accepted", () => {
    for (const body of [
      `{"rxpk":[${packetText}],"stat":${statusText}}}`,
      `{"stat":${statusText}},"rxpk":[${packetText}]}`,
      `{"time":"2026-03-14T09:26:53Z","rxpk":[${packetText}],"stat":${statusText}}}`,
    ]) {
      const { packets, status, reasons } = readPush(push(body));
      expect(packets).toHaveLength(1);
      expect(status?.rxReceived).toBe(7);
      expect(reasons).toEqual([]);
    }
  });

  test("39: 255 rxpk elements, 60 kB, are accepted, each character looked at once", () => {
    const padded = JSON.stringify({ ...goodPacket, note: "x".repeat(60) });
    const bytes = push(`{"rxpk":[${Array(255).fill(padded).join(",")}]}`);
    expect(bytes.length).toBeGreaterThan(60_000);
    const { result, work } = countWork(() => readPush(bytes));
    expect(result.packets).toHaveLength(255);
    expect(work.characters).toBeLessThanOrEqual(bytes.length);
    expect(work.parses).toBe(1);
  });

  test("40: of more packets than a concentrator reports at once the first 255 are taken", () => {
    const elements = Array.from({ length: 1500 }, (_, index) => `{"tmst":${index}}`);
    const { packets, reasons } = readPush(push(`{"rxpk":[${elements.join(",")}]}`));
    expect(packets).toHaveLength(255);
    expect(packets.at(-1)?.tmstUs).toBe(254);
    expect(reasons.filter((reason) => reason === "rxpk_many*")).toHaveLength(1);
  });

  test("42: of duplicate keys in an object the last wins", () => {
    const { packet, reasons } = readPush(push(good.replace('"chan":2', '"chan":2,"chan":5')));
    expect(packet?.signals[0]?.ifChannel).toBe(5);
    expect(reasons).toEqual([]);
  });

  test("43: keys __proto__, constructor, toString have no effect on prototypes", () => {
    const hostile = '"__proto__":{"tmst":1,"delayed":true},"constructor":{"prototype":{"x":1}},"toString":1,';
    const { packets, reasons } = readPush(
      push(`{${hostile}"rxpk":[{${hostile}"freq":868.1,"modu":"LORA","datr":"SF7BW125","codr":"4/5"}]}`),
    );
    expect(packets[0]).toMatchObject({ tmstUs: null, delayed: false, frequencyHz: 868_100_000 });
    expect(reasons).toEqual(["tmst_missing", "crc_unknown", "data_empty"]);
    expect(({} as Record<string, unknown>).tmst).toBeUndefined();
    expect(({} as Record<string, unknown>).x).toBeUndefined();
    expect(readPush(push('{"__proto__":{"rxpk":[{}]}}')).reasons).toEqual(["body_unknown*"]);
  });
});

describe("numbers", () => {
  test("45: -0 and -0.0 in rssi or lsnr are stored as 0", () => {
    const { packet } = readPush(
      push(good.replace('"rssi":-91', '"rssi":-0').replace('"lsnr":6.2', '"lsnr":-0.0')),
    );
    expect(Object.is(packet?.signals[0]?.rssiDbm, 0)).toBe(true);
    expect(Object.is(packet?.signals[0]?.snrDb, 0)).toBe(true);
  });

  test("46: numbers as strings are converted when strictly decimal", () => {
    const { packet, reasons } = readPush(pushPacket({ rssi: "-97", tmst: "12", lsnr: "-3.5" }));
    expect(packet?.signals[0]).toMatchObject({ rssiDbm: -97, snrDb: -3.5 });
    expect(packet?.tmstUs).toBe(12);
    expect(reasons).toEqual(["num_string"]);
    for (const rssi of ["-97 dBm", "0x10", "1e1", "", " -97", "-097", "9".repeat(40)]) {
      const stray = readPush(pushPacket({ rssi }));
      expect(stray.packet?.signals[0]?.rssiDbm).toBeNull();
      expect(stray.reasons).toEqual(["range"]);
    }
  });

  test("47: 1e999 and integers above 2^53 leave the field absent", () => {
    for (const value of ["1e999", "-1e999", "9007199254740993"]) {
      for (const key of ["rssi", "tmst", "chan", "tmms"]) {
        const { packets, reasons } = readPush(pushRaw(key, value));
        expect(packets).toHaveLength(1);
        expect(reasons).toEqual(["range*"]);
      }
    }
  });
});

describe("large datagrams and status reports", () => {
  test("80: a datagram of 65 507 bytes is received whole", () => {
    const bytes = push(`{"pad":"${"x".repeat(65_507 - 12 - 9 - good.length)}",${good.slice(1)}`);
    expect(bytes).toHaveLength(65_507);
    expect(readPush(bytes)).toMatchObject({ packets: goodReading.packets, reasons: [] });
  });

  test("81: a datagram as large as the receive buffer was cut: its body is refused", () => {
    const bytes = push(good + " ".repeat(65_535 - 12 - good.length));
    expect(bytes).toHaveLength(65_535);
    expect(readPush(bytes)).toMatchObject({ packets: [], reasons: ["big*"] });
    expect(refusedReasons.has("big")).toBe(true);
    expect(answerFor(bytes)).not.toBeNull();
  });

  test("82: stat with lati 999, long as a string, null ackr loses the bad fields and keeps the others", () => {
    const { status, reasons } = readPush(
      push('{"stat":{"lati":999,"long":"east","ackr":null,"alti":12.5,"rxnb":3,"temp":1e9}}'),
    );
    expect(status).toMatchObject({
      latitudeDeg: null,
      longitudeDeg: null,
      ackPercent: null,
      altitudeM: 12.5,
    });
    expect(status).toMatchObject({ rxReceived: 3, temperatureC: null, timeUs: null });
    expect(reasons).toEqual(["range"]);
  });

  test("83: stat counters negative or rxok above rxnb are stored and flagged", () => {
    expect(readPush(push('{"stat":{"rxnb":-1}}'))).toMatchObject({
      status: { rxReceived: -1 },
      reasons: ["stat_odd"],
    });
    expect(readPush(push('{"stat":{"rxnb":2,"rxok":3}}'))).toMatchObject({
      status: { rxReceived: 2, rxCrcOk: 3 },
      reasons: ["stat_odd"],
    });
  });

  test("84: desc of 3000 characters, or with HTML or control characters, is cut and marked, not altered", () => {
    const long = readPush(push(JSON.stringify({ stat: { desc: "d".repeat(3000) } })));
    expect(long.status?.description).toBe("d".repeat(256));
    expect(long.reasons).toEqual(["text"]);
    const markup = readPush(push(JSON.stringify({ stat: { desc: "<b>\u001b[1m", pfrm: "plain" } })));
    expect(markup.status).toMatchObject({ description: "<b>\u001b[1m", platform: "plain" });
    expect(markup.reasons).toEqual(["text"]);
  });

  test("a desc that is no text is left out and marked", () => {
    for (const desc of [7, true, ["d"], { d: 1 }])
      expect(readPush(push(JSON.stringify({ stat: { rxnb: 1, desc } })))).toMatchObject({
        status: { description: null, rxReceived: 1 },
        reasons: ["text"],
      });
    expect(readPush(push('{"stat":{"rxnb":1,"desc":null}}')).reasons).toEqual([]);
  });

  test("84: a cut never goes through the middle of a character", () => {
    const { status } = readPush(push(JSON.stringify({ stat: { desc: `${"d".repeat(255)}\u{1F33F}` } })));
    expect(status?.description).toBe("d".repeat(255));
  });

  test("a stat that is no object is set aside and marked", () => {
    for (const stat of ["[]", '"x"', "5"]) {
      expect(readPush(push(`{"stat":${stat}}`))).toMatchObject({ status: null, reasons: ["stat_odd*"] });
    }
  });

  test("a stat time of 1970, with UTC as its zone, or unreadable keeps its text", () => {
    const time = (text: unknown) => readPush(push(JSON.stringify({ stat: { time: text } })));
    expect(time("1970-01-01 00:00:07 GMT").status).toMatchObject({ timeUs: 7e6 });
    expect(time("2026-03-14 09:26:53 UTC").status).toMatchObject({ timeUs: 1_773_480_413_000_000 });
    expect(time("yesterday")).toMatchObject({
      status: { timeUs: null, timeText: "yesterday" },
      reasons: ["time_bad"],
    });
    expect(time(12)).toMatchObject({ status: { timeUs: null, timeText: null }, reasons: ["time_bad"] });
  });
});
