import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  batteryPercent,
  batteryWords,
  downlinkWords,
  linkAdrWords,
} from "../../src/ledger/link/command-text.ts";
import {
  type LinkEvent,
  type LinkEventKind,
  type LinkFrame,
  linkEvents,
  readsAsClearText,
} from "../../src/ledger/link/events.ts";
import type { Modulation } from "../../src/model/modulation.ts";
import { octetsOfHex } from "../../src/wire/lorawan/octets.ts";

const S = 1_000_000;
const lora = (spreadingFactor: number): Modulation => ({
  kind: "lora",
  spreadingFactor,
  bandwidthHz: 125_000,
  codingRate: "4/5",
});
const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;

interface Short extends Partial<Omit<LinkFrame, "fOpts">> {
  readonly fOpts?: string;
  readonly sf?: number;
}

/** An uplink a minute, SF7, ADR on, nothing in FOpts. */
function up(counter: number, { fOpts = "", sf = 7, ...more }: Short = {}): LinkFrame {
  return {
    atUs: counter * 60 * S,
    counter,
    messageType: "UnconfirmedDataUp",
    fCtrl: 0x80,
    fOptsAre: "assumed 1.0 clear text",
    modulation: lora(sf),
    frequencyHz: 868_100_000,
    fPort: 1,
    repeat: false,
    ...more,
    fOpts: hex(fOpts),
  };
}

/** A downlink between the uplinks of counter and counter + 1. */
function down(counter: number, fOpts: string, more: Omit<Short, "fOpts"> = {}): LinkFrame {
  return {
    ...up(counter, { messageType: "UnconfirmedDataDown", fCtrl: 0x80, fOpts, ...more }),
    atUs: counter * 60 * S + S,
    counter: null,
    modulation: null,
  };
}

describe("the commands of a life", () => {
  it("are believed to be clear text where nine of ten lists read to their end, repeats and proved ones aside", () => {
    // 02 is LinkCheckReq; FF is no command.
    const clean = (count: number) => Array.from({ length: count }, (_, i) => up(i, { fOpts: "02" }));
    const odd = (counter: number, more: Short = {}) => up(counter, { fOpts: "FF", ...more });
    expect(readsAsClearText([...clean(9), odd(20)])).toBe(true);
    expect(readsAsClearText([...clean(8), odd(20)])).toBe(false);
    expect(readsAsClearText([...clean(8), odd(20, { repeat: true })])).toBe(true);
    expect(readsAsClearText([...clean(8), odd(20, { fOptsAre: "encrypted" })])).toBe(true);
    // Frames without FOpts hold no list.
    expect(readsAsClearText([...clean(8), odd(20), up(21), up(22)])).toBe(false);
    expect(readsAsClearText([])).toBe(true);
  });
});

const again = (frame: LinkFrame, seconds: number, more: Partial<LinkFrame> = {}): LinkFrame => ({
  ...frame,
  atUs: frame.atUs + seconds * S,
  repeat: true,
  ...more,
});

const kinds = (events: readonly LinkEvent[]) => events.map(({ kind }) => kind);
const of = (events: readonly LinkEvent[], kind: LinkEventKind) =>
  events.filter((event) => event.kind === kind);
const sentences = (events: readonly LinkEvent[]) => events.map(({ sentence }) => sentence);
const row = (from: number, count: number, more: Short = {}) =>
  Array.from({ length: count }, (_, i) => up(from + i, more));

describe("the data rate", () => {
  it("that the network asked for is said to be commanded", () => {
    const events = linkEvents([up(0, { sf: 12 }), down(0, "0352070001"), up(1, { sf: 9, fOpts: "0307" })]);
    expect(sentences(events)).toEqual([
      "The network asked for data rate 5, transmit power index 2 (0 is the most), each frame sent once and channel mask 0x0007 (control 0) (LinkADRReq) (assumed 1.0 clear text).",
      "The node accepted every part of a LinkADRReq (assumed 1.0 clear text).",
      "The data rate went from SF12BW125 to SF9BW125, as the network asked (LinkADRReq heard).",
    ]);
    expect(events[2]).toMatchObject({ counter: 1, certainty: "seen", details: { cause: "commanded" } });
  });

  it("is explained by the answer alone when the command was not heard", () => {
    const [, change] = linkEvents([up(0, { sf: 12 }), up(1, { sf: 9, fOpts: "0307" })]);
    expect(change?.sentence).toContain("the node answered a LinkADRReq that was not heard");
  });

  it("is not explained by a command that the node refused, or that keeps the data rate", () => {
    for (const [request, answer] of [
      ["0352070001", "0305"],
      ["03F2070001", "0307"],
    ] as const) {
      const events = linkEvents([up(0, { sf: 12 }), down(0, request), up(1, { sf: 9, fOpts: answer })]);
      expect(of(events, "data-rate")[0]?.details.cause, request).toBe("unexplained");
    }
  });

  it("is explained once by one command", () => {
    const events = linkEvents([
      up(0, { sf: 12 }),
      down(0, "0352070001"),
      up(1, { sf: 7, fOpts: "0307" }),
      up(2, { sf: 10 }),
    ]);
    expect(of(events, "data-rate").map(({ details }) => details.cause)).toEqual(["commanded", "unexplained"]);
  });

  it("that fell while ADRACKReq was set is ADR back-off, a rise is not", () => {
    const asking = { fCtrl: 0xc0 };
    const frames = [up(0), ...row(1, 32, asking), up(33, { ...asking, sf: 8 }), up(34, { sf: 8 })];
    const events = linkEvents(frames);
    expect(kinds(events)).toEqual(["adr-ack-req", "data-rate", "adr-ack-req"]);
    expect(events[1]).toMatchObject({ details: { cause: "adr-back-off", from: "SF7BW125", to: "SF8BW125" } });
    expect(events[1]?.sentence).toContain("ADRACKReq was set for 32 counters");
    const rise = linkEvents([up(0, { sf: 9 }), up(1, { ...asking, sf: 9 }), up(2, { ...asking, sf: 8 })]);
    expect(of(rise, "data-rate")[0]?.details.cause).toBe("unexplained");
  });

  it("of a node whose ADR bit is off is its own affair", () => {
    const events = linkEvents([up(0, { fCtrl: 0 }), up(1, { fCtrl: 0, sf: 10 })]);
    expect(events).toMatchObject([{ kind: "data-rate", details: { cause: "node-itself" } }]);
    // ADRACKReq means nothing without the ADR bit.
    const asking = linkEvents([up(0, { fCtrl: 0x40 }), up(1, { fCtrl: 0x40, sf: 10 })]);
    expect(asking).toMatchObject([{ kind: "data-rate", details: { cause: "node-itself" } }]);
  });

  it("of a node that sets its ADR bit with the change is not said to be its own affair", () => {
    for (const [before, now] of [
      [0, 0x80],
      [0x80, 0],
    ] as const) {
      const events = linkEvents([up(0, { fCtrl: before }), up(1, { fCtrl: now, sf: 10 })]);
      expect(of(events, "data-rate")).toMatchObject([{ details: { cause: "unexplained" } }]);
    }
  });

  it("is explained by an answer to the next change alone: no later than the uplink behind it", () => {
    const causes = (...sfs: number[]) =>
      of(
        linkEvents([
          up(0, { sf: 12 }),
          up(1, { sf: 12, fOpts: "0307" }),
          ...sfs.map((sf, i) => up(2 + i, { sf })),
        ]),
        "data-rate",
      ).map(({ details }) => details.cause);
    expect(causes(9)).toEqual(["commanded"]);
    expect(causes(12, 9)).toEqual(["unexplained"]);
  });

  it("of FSK is faster than LoRa's, of LR-FHSS slower at coding rate 1/3 than at 2/3", () => {
    const cause = (from: Modulation, to: Modulation) => {
      const confirmed = up(5, { messageType: "ConfirmedDataUp", modulation: from });
      return linkEvents([confirmed, again(confirmed, 4, { modulation: to })])[0]?.details.cause;
    };
    const fsk: Modulation = { kind: "fsk", bitrateBps: 50_000 };
    const hopping = (codingRate: "1/3" | "2/3", operatingWidthHz = 137_000): Modulation => ({
      kind: "lr-fhss",
      type: 0,
      operatingWidthHz,
      codingRate,
    });
    expect(cause(fsk, lora(7))).toBe("confirmed-retry");
    expect(cause(lora(7), fsk)).toBe("unexplained");
    expect(cause(hopping("2/3"), hopping("1/3", 336_000))).toBe("confirmed-retry");
    expect(cause(hopping("1/3"), hopping("2/3", 336_000))).toBe("unexplained");
    // SF12 in 125 kHz: 12 * 125 000 / 4096 = 366 bit/s, more than 325.
    expect(cause(lora(12), hopping("2/3"))).toBe("confirmed-retry");
  });

  it("that falls in a retry of a confirmed frame is a retry's", () => {
    const confirmed = up(5, { messageType: "ConfirmedDataUp" });
    const events = linkEvents([confirmed, again(confirmed, 4, { modulation: lora(8) })]);
    expect(events).toMatchObject([{ kind: "data-rate", details: { cause: "confirmed-retry" } }]);
  });

  it("that changes with every frame is one event, not a hundred", () => {
    const frames = Array.from({ length: 100 }, (_, i) => up(i, { fCtrl: 0, sf: 7 + (i % 3) }));
    const events = linkEvents(frames);
    expect(events).toHaveLength(1);
    expect(events[0]).toMatchObject({ kind: "data-rate", counter: 1, times: 99 });
    expect(events[0]?.sentence).toBe(
      "The data rate changed 99 times within 98 counters, among SF7BW125, SF8BW125, SF9BW125, and the network asked for none of it.",
    );
  });

  it("three changes far apart stay three events", () => {
    const frames = [up(0), up(20, { sf: 8 }), up(40, { sf: 7 }), up(60, { sf: 9 })];
    expect(linkEvents(frames)).toHaveLength(3);
  });
});

describe("a restless data rate", () => {
  const off = { fCtrl: 0 };
  const changing = (...counters: number[]) => [
    up(0, off),
    ...counters.map((counter, i) => up(counter, { ...off, sf: i % 2 === 0 ? 8 : 7 })),
  ];

  it("is four changes, each at most four counters after the one before", () => {
    const events = linkEvents(changing(1, 5, 9, 13));
    expect(events).toMatchObject([
      { kind: "data-rate", counter: 1, times: 4, details: { from: "SF7BW125", to: "SF7BW125" } },
    ]);
    expect(events[0]?.details).toMatchObject({ changes: 4, overCounters: 12 });
    expect(events[0]?.sentence).toBe(
      "The data rate changed 4 times within 12 counters, among SF7BW125, SF8BW125, and the network asked for none of it.",
    );
    expect(linkEvents(changing(1, 5, 9))).toHaveLength(3);
    expect(linkEvents(changing(1, 5, 10, 14))).toHaveLength(4);
    expect(linkEvents(changing(1, 5, 10, 14, 18, 22)).map(({ times }) => times)).toEqual([1, 1, 4]);
  });

  it("ends at a change that the network asked for", () => {
    // 0351070001: LinkADRReq with data rate 5, transmit power 1.
    const events = linkEvents([
      ...changing(1, 2, 3),
      down(3, "0351070001"),
      up(4, { ...off, sf: 9, fOpts: "0307" }),
      ...[5, 6, 7].map((counter, i) => up(counter, { ...off, sf: i % 2 === 0 ? 8 : 7 })),
    ]);
    expect(of(events, "data-rate").map(({ counter, times }) => [counter, times])).toEqual(
      [1, 2, 3, 4, 5, 6, 7].map((counter) => [counter, 1]),
    );
  });
});

describe("what the network commands", () => {
  it("is told once however often it is repeated, and again when it changes", () => {
    const events = linkEvents([
      up(0),
      down(0, "03F2070002"),
      up(1),
      down(1, "03F2070002"),
      up(2),
      down(2, "03F3070003"),
      down(3, "0407"),
      down(4, "0407"),
      down(5, "0400"),
    ]);
    expect(sentences(events).map((one) => one.replace(" (assumed 1.0 clear text)", ""))).toEqual([
      "The network asked for transmit power index 2 (0 is the most), each frame sent up to 2 times and channel mask 0x0007 (control 0) (LinkADRReq).",
      "The network asked for transmit power index 3 (0 is the most) and each frame sent up to 3 times (LinkADRReq).",
      "The network limits the node to 1/128 of the time, 0.78\u202F% (DutyCycleReq).",
      "The network lifted the duty-cycle limit (DutyCycleReq).",
    ]);
    expect(events[0]?.details).toMatchObject({ txPower: 2, nbTrans: 2 });
  });

  it("of several LinkADRReq in a row the last counts", () => {
    const [event] = linkEvents([up(0), down(0, "0350FF00010350000071")]);
    expect(event?.details).toMatchObject({ chMaskCntl: 7, chMask: 0, dataRate: 5 });
  });

  // Octets and readings: worked examples, LoRaWAN 1.1, section 5.
  it.each([
    ["0523D2AD84", "receive-windows", "RX1 data rate offset 2, RX2 data rate 3 at 869.525\u202FMHz"],
    ["0805", "receive-windows", "first receive window to 5\u202Fs"],
    ["0703184F8450", "channel-plan", "channel 3 at 867.1\u202FMHz, data rates 0 to 5"],
    ["070300000050", "channel-plan", "took channel 3 away"],
    ["0A03D2AD84", "channel-plan", "answers channel 3 at 869.525\u202FMHz"],
    ["0935", "transmit-limits", "16\u202FdBm EIRP, uplinks and downlinks to 400\u202Fms each"],
    ["021403", "link-check-answered", "20\u202FdB margin, heard by 3 gateways"],
    ["06", "device-status-asked", "asked for the node's status"],
    ["0DB0ADE84380", "device-time-answered", "gave the time"],
    ["2002", "class", "confirmed class C"],
    ["0F7B", "other-command", "RejoinParamSetupReq"],
  ] as const)("%s is told as %s", (octets, kind, words) => {
    const [event, ...more] = linkEvents([up(0), down(0, octets)]);
    expect(event).toMatchObject({ kind, direction: "down", counter: null, atUs: S });
    expect(event?.sentence).toContain(words);
    expect(more).toEqual([]);
  });
});

describe("what a command of the network says", () => {
  type Command = Parameters<typeof downlinkWords>[0];
  const said = (name: string, fields: object = {}) =>
    downlinkWords({ name, ...fields } as Command).words.replaceAll(/[\u202F\u00A0]/g, " ");

  it.each([
    ["DutyCycleReq", { maxDutyCycle: 0 }, "The network lifted the duty-cycle limit (DutyCycleReq)"],
    [
      "DutyCycleReq",
      { maxDutyCycle: 7 },
      "The network limits the node to 1/128 of the time, 0.78 % (DutyCycleReq)",
    ],
    [
      "LinkCheckAns",
      { marginDb: 12, gwCnt: 1 },
      "The network answered a link check: 12 dB margin, heard by 1 gateway",
    ],
    [
      "NewChannelReq",
      { chIndex: 3, frequencyHz: 0, minDataRate: 0, maxDataRate: 5 },
      "The network took channel 3 away (NewChannelReq)",
    ],
    [
      "TXParamSetupReq",
      { maxEirpDbm: 16, uplinkDwellTime: false, downlinkDwellTime: false },
      "The network limits the node to 16 dBm EIRP, no dwell time limit",
    ],
    [
      "TXParamSetupReq",
      { maxEirpDbm: 14, uplinkDwellTime: true, downlinkDwellTime: false },
      "The network limits the node to 14 dBm EIRP, uplinks to 400 ms each",
    ],
    [
      "TXParamSetupReq",
      { maxEirpDbm: 14, uplinkDwellTime: false, downlinkDwellTime: true },
      "The network limits the node to 14 dBm EIRP, downlinks to 400 ms each",
    ],
    [
      "TXParamSetupReq",
      { maxEirpDbm: 14, uplinkDwellTime: true, downlinkDwellTime: true },
      "The network limits the node to 14 dBm EIRP, uplinks and downlinks to 400 ms each",
    ],
    [
      "RXTimingSetupReq",
      { delaySeconds: 5 },
      "The network set the first receive window to 5 s after a transmission",
    ],
    ["DeviceModeConf", { deviceClass: "C" }, "The network confirmed class C"],
  ] as const)("%s %o: %s", (name, fields, words) => {
    expect(said(name, fields)).toBe(words);
  });

  it("for the data rate and power is what is new of it; 15 keeps what is", () => {
    const adr = (more: object) =>
      ({
        name: "LinkADRReq",
        dataRate: 5,
        txPower: 1,
        nbTrans: 1,
        chMask: 7,
        chMaskCntl: 0,
        ...more,
      }) as unknown as Command;
    expect(linkAdrWords(adr({}), null)).toBe(
      "The network asked for data rate 5, transmit power index 1 (0 is the most), each frame sent once and channel mask 0x0007 (control 0) (LinkADRReq)",
    );
    expect(linkAdrWords(adr({}), adr({}))).toBeNull();
    expect(linkAdrWords(adr({ dataRate: 15, txPower: 15 }), adr({}))).toBeNull();
    expect(linkAdrWords(adr({ dataRate: 3 }), adr({}))).toBe(
      "The network asked for data rate 3 (LinkADRReq)",
    );
    expect(linkAdrWords(adr({ txPower: 0 }), adr({}))).toBe(
      "The network asked for transmit power index 0 (0 is the most) (LinkADRReq)",
    );
    expect(linkAdrWords(adr({ nbTrans: 3 }), adr({}))).toBe(
      "The network asked for each frame sent up to 3 times (LinkADRReq)",
    );
    expect(linkAdrWords(adr({ nbTrans: 0 }), adr({}))).toBe(
      "The network asked for NbTrans 0 (once in 1.0, unchanged in 1.1) (LinkADRReq)",
    );
    expect(linkAdrWords(adr({ chMaskCntl: 6 }), adr({}))).toBe(
      "The network asked for channel mask 0x0007 (control 6) (LinkADRReq)",
    );
  });

  it("of a battery is told in five words, by whole percents", () => {
    const word = (percent: number) => {
      // The lowest level whose whole percent it is.
      const level = Array.from({ length: 254 }, (_, i) => i + 1).find(
        (one) => batteryPercent(one) === percent,
      );
      return /\((.*)\)/.exec(batteryWords(level ?? 0))?.[1];
    };
    expect([95, 94, 60, 59, 40, 39, 15, 14].map(word)).toEqual([
      "full",
      "well charged",
      "well charged",
      "about half",
      "about half",
      "low",
      "low",
      "nearly empty",
    ]);
  });
});

describe("what the node answers", () => {
  it("names the refused part of a LinkADRReq, over all answers of a block", () => {
    const [event] = linkEvents([up(0, { fOpts: "03070303" })]);
    expect(event).toMatchObject({
      kind: "link-adr-answered",
      details: { powerAck: false, dataRateAck: true, accepted: false },
    });
    expect(event?.sentence).toBe(
      "The node refused the transmit power of a LinkADRReq (assumed 1.0 clear text).",
    );
  });

  it.each([
    [
      "06FE3B",
      "The node reports a battery at 100\u202F% (full), and hears the network at \u22125\u202FdB SNR (DevStatusAns)",
    ],
    [
      "06033C",
      "The node reports a battery at 1\u202F% (nearly empty), and hears the network at \u22124\u202FdB SNR (DevStatusAns)",
    ],
    ["060005", "The node reports an external supply, and hears the network at 5\u202FdB SNR (DevStatusAns)"],
    [
      "06FF05",
      "The node reports a battery whose level it cannot tell, and hears the network at 5\u202FdB SNR (DevStatusAns)",
    ],
    [
      "0502",
      "The node refused the RX1 data rate offset and RX2 frequency of new receive windows (RXParamSetupAns)",
    ],
    ["0702", "The node refused the frequency of a channel (NewChannelAns)"],
    ["0A03", "The node accepted every part of a downlink channel (DlChannelAns)"],
    ["08", "The node accepted a new receive delay (RXTimingSetupAns)"],
    ["04", "The node accepted a duty-cycle limit (DutyCycleAns)"],
    ["09", "The node accepted limits of power and dwell time (TXParamSetupAns)"],
    ["02", "The node asked for a link check"],
    ["0D", "The node asked for the time"],
    ["2002", "The node says that it is of class C (DeviceModeInd)"],
  ])("%s: %s", (fOpts, words) => {
    expect(sentences(linkEvents([up(0, { fOpts })]))).toEqual([`${words} (assumed 1.0 clear text).`]);
  });

  it("battery levels in per cent: 1 is none, 254 is all, 0 and 255 are no level", () => {
    expect([1, 128, 254].map(batteryPercent)).toEqual([0, 50, 100]);
    expect([0, 255].map(batteryPercent)).toEqual([null, null]);
    expect(batteryWords(128)).toBe("a battery at 50\u202F% (about half)");
  });

  it("counts an answer once that is said again until a downlink comes, with how often", () => {
    const events = linkEvents([...row(0, 5, { fOpts: "0507" }), ...row(5, 2)]);
    expect(events).toMatchObject([{ kind: "receive-windows", counter: 0, times: 5 }]);
    expect(events[0]?.sentence).toContain("in 5 uplinks running");
  });

  it("counts it anew when its content changes, after a pause, and after a new request", () => {
    const times = (frames: LinkFrame[]) =>
      of(linkEvents(frames), "receive-windows").filter(({ direction }) => direction === "up").length;
    expect(times([up(0, { fOpts: "0507" }), up(1, { fOpts: "0506" })])).toBe(2);
    expect(times([up(0, { fOpts: "0507" }), up(1), up(2, { fOpts: "0507" })])).toBe(2);
    const request = (at: number, octets: string) => down(at, octets);
    expect(
      times([request(0, "0805"), up(1, { fOpts: "08" }), request(1, "0803"), up(2, { fOpts: "08" })]),
    ).toBe(2);
    expect(
      times([request(0, "0805"), up(1, { fOpts: "08" }), request(1, "0805"), up(2, { fOpts: "08" })]),
    ).toBe(1);
  });

  it("does not count the repeats of a frame", () => {
    const frame = up(0, { fOpts: "0307" });
    expect(linkEvents([frame, again(frame, 4), again(frame, 8)])).toHaveLength(1);
  });
});

describe("FOpts that may be ciphertext", () => {
  it("are left out when they do not read to their end", () => {
    expect(linkEvents([up(0, { fOpts: "0280" })])).toEqual([]);
    expect(linkEvents([up(0, { fOpts: "06FE" })])).toEqual([]);
  });

  it("are left out in every frame of a node whose FOpts mostly do not read", () => {
    const random = ["02", "7F", "C1", "0D", "99", "E4", "08", "55"];
    expect(linkEvents(random.map((fOpts, counter) => up(counter, { fOpts })))).toEqual([]);
  });

  it("are believed in spite of one bad frame in many", () => {
    const frames = [...row(0, 20, { fOpts: "02" }), up(20, { fOpts: "02FF" })];
    expect(linkEvents(frames)).toMatchObject([{ kind: "link-check-asked", times: 20 }]);
  });

  it("known to be encrypted are never read, decrypted ones are read without a doubt", () => {
    expect(linkEvents([up(0, { fOpts: "0D", fOptsAre: "encrypted" })])).toEqual([]);
    const [event] = linkEvents([up(0, { fOpts: "0D", fOptsAre: "decrypted" })]);
    expect(event).toMatchObject({ certainty: "proved", sentence: "The node asked for the time." });
    // What a proof says to be clear text is read up to a proprietary command.
    expect(linkEvents([up(0, { fOpts: "0D80", fOptsAre: "1.0 clear text" })])).toHaveLength(1);
  });

  it("of a 1.1 node with random ciphertext yield next to no events", () => {
    fc.assert(
      fc.property(
        fc.array(fc.uint8Array({ minLength: 1, maxLength: 15 }), { minLength: 20, maxLength: 60 }),
        (lists) => {
          const frames = lists.map((fOpts, counter) => ({ ...up(counter), fOpts }));
          expect(linkEvents(frames)).toEqual([]);
        },
      ),
      { seed: 3, numRuns: 100 },
    );
  });
});

describe("the frame control bits", () => {
  it("tell when ADR, ADRACKReq and class B go on and off", () => {
    const events = linkEvents([
      up(0, { fCtrl: 0 }),
      up(1, { fCtrl: 0xd0 }),
      up(2, { fCtrl: 0xd0 }),
      up(3, { fCtrl: 0 }),
    ]);
    expect(events.map(({ kind, counter, details }) => [kind, counter, Object.values(details)[0]])).toEqual([
      ["adr-bit", 1, true],
      ["adr-ack-req", 1, true],
      ["class", 1, true],
      ["adr-bit", 3, false],
      ["adr-ack-req", 3, false],
      ["class", 3, false],
    ]);
  });

  it("of a downlink, where they mean something else, tell nothing", () => {
    expect(linkEvents([up(0), down(0, "", { fCtrl: 0x10 }), up(1)])).toEqual([]);
  });
});

describe("repeats", () => {
  const sent = (counter: number, times: number): LinkFrame[] => {
    const frame = up(counter);
    return [frame, ...Array.from({ length: times - 1 }, (_, i) => again(frame, 4 * (i + 1)))];
  };
  const sentEach = (from: number, times: readonly number[]) =>
    times.flatMap((count, i) => sent(from + i, count));

  it("are told when frames are sent more often, with the network's wish as the reason", () => {
    const frames = [
      ...sentEach(0, Array(10).fill(1)),
      down(9, "03FF070003"),
      ...sentEach(10, Array(6).fill(3)),
    ];
    const [event, ...more] = of(linkEvents(frames), "repeats");
    expect(event).toMatchObject({ counter: 11, atUs: 11 * 60 * S, details: { from: 1, to: 3 } });
    expect(event?.sentence).toBe(
      "Each frame was heard up to 3 times, before once, as the network asked (NbTrans).",
    );
    expect(more).toEqual([]);
    // Nobody asked for it.
    const unasked = frames.filter(({ messageType }) => messageType === "UnconfirmedDataUp");
    expect(of(linkEvents(unasked), "repeats").map(({ sentence }) => sentence)).toEqual([
      "Each frame was heard up to 3 times, before once.",
    ]);
  });

  it("are told when they end, but not when a few went unheard", () => {
    const some = [3, 2, 3, 1, 3, 2, 1, 1, 3, 3, 2, 1, 3, 1, 1, 3];
    expect(of(linkEvents(sentEach(0, some)), "repeats")).toEqual([]);
    const rare = [...Array(8).fill(3), ...Array(4).fill([1, 1, 1, 1, 1, 3]).flat()];
    expect(of(linkEvents(sentEach(0, rare)), "repeats")).toEqual([]);
    const ended = [...sentEach(0, some), ...sentEach(some.length, Array(12).fill(1))];
    expect(of(linkEvents(ended), "repeats")).toMatchObject([{ details: { from: 3, to: 1 } }]);
  });

  it("are told at the time at which they were heard, before what came later", () => {
    const frames = [
      ...sentEach(0, [1, 1, 1, 1, 1, 1, 1, 1, 2, 2]),
      { ...down(9, "0407"), atUs: 9 * 60 * S + 30 * S },
      up(10),
    ];
    expect(kinds(linkEvents(frames))).toEqual(["repeats", "duty-cycle-limit"]);
  });

  it("of confirmed frames say nothing about NbTrans", () => {
    const frames = row(0, 20, { messageType: "ConfirmedDataUp" }).flatMap((frame) => [
      frame,
      again(frame, 3),
    ]);
    expect(of(linkEvents(frames), "repeats")).toEqual([]);
  });
});

describe("channels", () => {
  it("heard for the first time after long are told, those of the beginning are not", () => {
    const frames = row(0, 64).map((frame, i) => ({ ...frame, frequencyHz: 868_100_000 + (i % 3) * 200_000 }));
    const events = linkEvents([
      ...frames,
      up(64, { frequencyHz: 867_100_000 }),
      up(65, { frequencyHz: 867_100_000 }),
    ]);
    expect(events).toMatchObject([
      { kind: "channel-used", counter: 64, details: { frequencyHz: 867_100_000 } },
    ]);
  });
});

describe("any frames", () => {
  const anyFrame = fc.record({
    messageType: fc.constantFrom(
      "UnconfirmedDataUp",
      "ConfirmedDataUp",
      "UnconfirmedDataDown",
      "ConfirmedDataDown",
    ),
    fCtrl: fc.integer({ min: 0, max: 255 }),
    fOpts: fc.uint8Array({ maxLength: 15 }),
    fOptsAre: fc.constantFrom("assumed 1.0 clear text", "1.0 clear text", "decrypted", "encrypted"),
    sf: fc.integer({ min: 5, max: 12 }),
    repeat: fc.boolean(),
    frequencyHz: fc.option(fc.integer({ min: 1, max: 2 ** 31 })),
  });

  it("give sentences in order of time, and never throw", () => {
    fc.assert(
      fc.property(fc.array(anyFrame, { maxLength: 60 }), (parts) => {
        const frames = parts.map(
          ({ sf, ...part }, i): LinkFrame => ({ ...up(i), ...part, modulation: lora(sf) }),
        );
        const events = linkEvents(frames);
        expect(events.map(({ atUs }) => atUs)).toEqual(events.map(({ atUs }) => atUs).sort((a, b) => a - b));
        for (const event of events) {
          expect(event.sentence).toMatch(/^(The|Each) .+\.$/);
          expect(event.sentence).not.toMatch(/undefined|NaN|null/);
          expect(event.sentence.includes("assumed 1.0 clear text")).toBe(
            event.certainty === "assumed 1.0 clear text",
          );
        }
      }),
      { seed: 9, numRuns: 300 },
    );
  });
});
