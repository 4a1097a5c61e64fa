/** What is told of an event of a gateway: every sentence once, with its figures. */
import { describe, expect, it } from "vitest";
import type { DeafRadio, LossyTime } from "../../../src/diagnosis/gateway-events/deaf-radio.ts";
import type { CommonStep } from "../../../src/diagnosis/gateway-events/level-step.ts";
import {
  backhaulText,
  deafText,
  type EventText,
  lateAcknowledgementText,
  neededTimeoutMs,
  strengthenedText,
  weakenedText,
} from "../../../src/diagnosis/gateway-events/sentences.ts";

const S = 1_000_000;
const plain = ({ clause, sentence }: EventText) => ({
  clause: clause.replaceAll("\u202F", " "),
  sentence: sentence.replaceAll("\u202F", " "),
});

describe("a radio that heard nothing", () => {
  const deaf: DeafRadio = {
    fromUs: 0,
    toUs: 5_400 * S,
    isOpen: false,
    reports: 180,
    sendersDue: 8,
    framesDue: 64,
    heardElsewhere: 61,
    counter: "began-anew",
    confidence: 0.97,
  };

  it("is told with who was due, what came, and how it heard again", () => {
    expect(plain(deafText("Water tower", deaf))).toEqual({
      clause: "heard no packet for 1 h 30 min although nodes were due",
      sentence:
        "Water tower heard no packet for 1 h 30 min, while 8 nodes were due (about 64 frames). Its keepalives and 180 status reports came; the reports count 0 packets. Another gateway heard 61 frames of these nodes meanwhile. It heard again after its concentrator's counter restarted.",
    });
  });

  it("that still hears nothing is told so; what is not known is left out", () => {
    const open = { ...deaf, isOpen: true, reports: 1, sendersDue: 1, framesDue: 1 };
    const { clause, sentence } = plain(deafText("It", { ...open, heardElsewhere: null, counter: null }));
    expect(clause).toBe("has heard no packet for 1 h 30 min although nodes were due");
    expect(sentence).toBe(
      "It has heard no packet for 1 h 30 min, while 1 node was due (about 1 frame). Its keepalives and 1 status report came; the reports count 0 packets.",
    );
    expect(plain(deafText("It", { ...open, heardElsewhere: 0, counter: "stood" })).sentence).toMatch(
      /count 0 packets\. Its concentrator's counter stood still meanwhile\.$/,
    );
    expect(deafText("It", open).advice).toMatch(/^Restart its forwarder/);
    expect(deafText("It", deaf).advice).toMatch(/^If it happens again/);
  });
});

describe("a step of all that a gateway hears", () => {
  const step: CommonStep = {
    atUs: 0,
    notBeforeUs: 0,
    notAfterUs: 0,
    changeDb: -12.24,
    lowDb: -13.1,
    highDb: -11.4,
    snrChangeDb: -11.9,
    senders: 7,
    compared: 9,
    vanished: 2,
    elsewhere: { senders: 5, changeDb: -0.31 },
    confidence: 0.98,
  };

  it("downwards is told with its interval, who is heard no longer, and the witness", () => {
    expect(plain(weakenedText("Water tower", { fall: step, mended: null }, null))).toEqual({
      clause: "hears 7 nodes 12.2 dB weaker",
      sentence:
        "Water tower hears 7 nodes of 9 weaker by 12.2 dB (11.4 dB to 13.1 dB), all at one moment. 2 more nodes with less margin are heard no longer. Another gateway hears 5 of them as before (−0.3 dB).",
    });
  });

  it("that was mended, with a placement at its moment, and nobody to compare with", () => {
    const fall = { ...step, vanished: 1, elsewhere: null };
    const text = weakenedText("It", { fall, mended: { ...step, changeDb: 11.6 } }, "North parapet");
    expect(plain(text)).toEqual({
      clause: "heard 7 nodes 12.2 dB weaker",
      sentence:
        'It heard 7 nodes of 9 weaker by 12.2 dB (11.4 dB to 13.1 dB), all at one moment. 1 more node with less margin is heard no longer. No other gateway hears enough of them to compare: the gateway is likelier than all nodes at once. Then they rose again by 11.6 dB. At that moment the placement "North parapet" begins: a coincidence, or the reason.',
    });
    expect(text.advice).toBe("Note what was changed when the level came back.");
  });

  it("in which the SNR moved less than three tenths as far is a gain or a setting", () => {
    const said = (snrChangeDb: number | null) =>
      weakenedText("It", { fall: { ...step, changeDb: -10, snrChangeDb }, mended: null }, null).sentence;
    expect(said(-2.9)).toContain("Their SNR stayed: a gain or RSSI setting, not a loss.");
    expect(said(2.9)).toContain("Their SNR stayed");
    expect(said(-3)).not.toContain("Their SNR stayed");
    expect(said(null)).not.toContain("Their SNR stayed");
  });

  it("upwards is told likewise", () => {
    const rise = {
      ...step,
      changeDb: 6.04,
      lowDb: 5.2,
      highDb: 6.9,
      snrChangeDb: 6,
      senders: 1,
      vanished: 0,
    };
    expect(plain(strengthenedText("Pump house", rise, null))).toEqual({
      clause: "hears 1 node 6.0 dB stronger",
      sentence:
        "Pump house hears 1 node of 9 stronger by 6.0 dB (5.2 dB to 6.9 dB), all at one moment. Another gateway hears 5 of them as before (−0.3 dB).",
    });
  });
});

describe("datagrams lost on the way", () => {
  const lossy: LossyTime = {
    fromUs: 0,
    toUs: 3_600 * S,
    due: 360,
    came: 324,
    lostShare: 0.1,
    low: 0.073,
    high: 0.135,
    isOpen: false,
  };
  const none = { forwarded: null, missing: null, unacknowledged: null };

  it("are told with their share, its interval, and every count that is known", () => {
    const counts = { forwarded: 200, missing: 18, unacknowledged: 0.21 };
    const trip = { medianMs: 80.4, p99Ms: 310 };
    expect(plain(backhaulText("Water tower", lossy, counts, trip))).toEqual({
      clause: "lost 10 % of its datagrams on the way",
      sentence:
        "10 % of the datagrams of Water tower were lost on the way (7.3 % to 14 %). 324 of 360 keepalives arrived. It reports 200 packets forwarded; 18 of them never arrived. It missed 21 % of its acknowledgements. Acknowledgements take 80 ms (median), 1 in 100 over 310 ms: set push_timeout_ms to 400.",
    });
  });

  it("leave out what is not known, and speak of now while they go on", () => {
    expect(plain(backhaulText("It", { ...lossy, isOpen: true }, none, null))).toEqual({
      clause: "loses 10 % of its datagrams on the way",
      sentence:
        "10 % of the datagrams of It are lost on the way (7.3 % to 14 %). 324 of 360 keepalives arrived.",
    });
    expect(backhaulText("It", lossy, { ...none, forwarded: 0, missing: 0 }, null).sentence).not.toContain(
      "forwarded",
    );
  });

  it("a timeout holds a quarter more than 99 of 100 take, in full 50 ms", () => {
    expect([200, 201, 40].map((p99Ms) => neededTimeoutMs({ medianMs: 1, p99Ms }))).toEqual([250, 300, 50]);
  });
});

describe("acknowledgements that come too late", () => {
  it("are told with the round trip, or by the gateway's own count alone", () => {
    expect(plain(lateAcknowledgementText("It", { medianMs: 120, p99Ms: 200 }, 0.4))).toEqual({
      clause: "gets acknowledgements too late",
      sentence:
        "It reports 40 % of its datagrams as not acknowledged; they arrive here. Acknowledgements take 120 ms (median), 1 in 100 over 200 ms: set push_timeout_ms to 250.",
    });
    expect(plain(lateAcknowledgementText("It", null, 0.4))).toEqual({
      clause: "misses 40 % of its acknowledgements",
      sentence:
        "It reports 40 % of its datagrams as not acknowledged; they arrive here. The round trip may be longer than its push_timeout_ms, or answers are lost on their way.",
    });
    expect(lateAcknowledgementText("It", null, null).clause).toBe("misses some of its acknowledgements");
  });
});
