import { describe, expect, it } from "vitest";
import { fieldText, fieldType } from "../../../src/wire/forwarder/fields.ts";
import { push, readPush } from "./datagrams.ts";

describe("a field in the detail of what was odd", () => {
  it("is written as it is when it is a text, a number or true and false, else by its type", () => {
    const fields = ["SF7", "", 12.5, 0, true, false, null, undefined, [1], {}];
    expect(fields.map(fieldText)).toEqual([
      "SF7",
      "",
      "12.5",
      "0",
      "true",
      "false",
      "null",
      "undefined",
      "array",
      "object",
    ]);
    expect(fields.map(fieldType)).toEqual([
      ...[
        "string",
        "string",
        "number",
        "number",
        "boolean",
        "boolean",
        "null",
        "undefined",
        "array",
        "object",
      ],
    ]);
    // `String()` of this would throw.
    expect(fieldText({ toString: null, valueOf: null })).toBe("object");
  });
});

describe("a status text that its buffer cut", () => {
  const status =
    '{"time":"2026-03-14 09:26:53 GMT","rxnb":7,"rxok":5,"rxfw":4,"ackr":100.0,"dwnb":2,"txnb":1,"desc}';
  const expected = {
    rxReceived: 7,
    rxCrcOk: 5,
    rxForwarded: 4,
    ackPercent: 100,
    downlinkDatagrams: 2,
    txEmitted: 1,
  };
  // Time of the root object first, as one daemon writes it, with the blanks that another puts there.
  it.each([
    `{"stat":${status}`,
    `{"time":"2026-03-14T09:26:53Z","stat":${status}`,
    `{ "time" : "2026-03-14T09:26:53Z" , "stat" : ${status}`,
  ])("is read up to the cut: %s", (body) => {
    const reading = readPush(push(body));
    expect(reading.reasons).toEqual(["stat_repaired*"]);
    expect(reading.status).toMatchObject(expected);
  });
});
