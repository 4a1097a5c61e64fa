import { describe, expect, it } from "vitest";
import type { GatewayRow, NodeRow, Sentence } from "../../src/contract/index.ts";
import { airLine, airSentence } from "../../src/diagnosis/air-sentences.ts";
import { nodeSentence, nodesSentence, siteSentence } from "../../src/diagnosis/sentences.ts";
import { channel, gateway, node } from "./rows.ts";

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";
const POND = "02005E1000000003";
const STORE = "02005E1000000004";

const FROM = Date.parse("2026-03-14T09:00:00.000Z");
/** The hour from nine to ten. */
const lastHour = { fromUs: FROM * 1000, toUs: FROM * 1000 + 3600e6, live: true };
const sixHours = { fromUs: FROM * 1000, toUs: FROM * 1000 + 6 * 3600e6, live: false };

const HREF = /^#\/(site|nodes|nodes\/[0-9A-F]{8}\/[1-9]\d*|air|captures)$/;

/** The words, thin spaces as plain ones; every link leads into the dashboard. */
function read(sentence: Sentence): string {
  for (const { text, href } of sentence) {
    expect(text).not.toBe("");
    if (href !== undefined) expect(href).toMatch(HREF);
  }
  const words = sentence.map(({ text }) => text).join("");
  // A figure and its unit are kept together.
  expect(words).not.toMatch(/\d (s|min|h|days|dB|dBm|MHz|%)\b/);
  expect(words).not.toMatch(/ {2}|\.\.| [,;.]/);
  expect(words.endsWith(".")).toBe(true);
  return words.replaceAll("\u202F", " ");
}

function outage(fromMinute: number, toMinute: number) {
  return {
    from: new Date(FROM + fromMinute * 60_000).toISOString(),
    to: new Date(FROM + toMinute * 60_000).toISOString(),
  };
}

/** So many nodes, the first few of them with these losses of 20. */
function nodes(count: number, missed: readonly number[] = []): NodeRow[] {
  return Array.from({ length: count }, (_, i) =>
    node(`0100000${i.toString(16).toUpperCase()}`, { missed: missed[i] ?? 0 }),
  );
}

describe("the site's sentence", () => {
  const site = (gateways: GatewayRow[], own: NodeRow[], window = lastHour) =>
    read(siteSentence(gateways, own, window));

  it("says how many nodes lost much, and which gateway was away", () => {
    const shed = gateway(SHED, { name: "the shed gateway", outages: [outage(10, 14)], standing: "look" });
    expect(site([shed, gateway(TOWER)], nodes(14, [2, 3, 4]))).toBe(
      "3 of 14 nodes lost more than 5 % on the air in the last hour; the shed gateway was unreachable for 4 min.",
    );
  });

  it("counts a device with three lives once", () => {
    const lives = [1, 2, 3].map((life) => ({ ...node("01000000", { missed: 4 }), life }));
    const own = [...lives, node("01000001", {})];
    expect(site([gateway(SHED)], own)).toBe(
      "1 of 2 nodes lost more than 5 % on the air in the last hour; the gateway was reachable.",
    );
    expect(read(nodesSentence(own, true, lastHour))).toContain("2 nodes were heard in the last hour;");
  });

  it("counts exactly five per cent as not more", () => {
    expect(site([gateway(SHED)], nodes(2, [1]))).toBe(
      "None of 2 nodes lost more than 5 % on the air in the last hour; the gateway was reachable.",
    );
  });

  it.each([
    [1, "the gateway was reachable"],
    [2, "both gateways were reachable"],
    [3, "all 3 gateways were reachable"],
  ])("says of %i gateways that %s", (count, words) => {
    const gateways = [SHED, TOWER, POND].slice(0, count).map((eui) => gateway(eui));
    expect(site(gateways, nodes(3))).toBe(
      `None of 3 nodes lost more than 5 % on the air in the last hour; ${words}.`,
    );
  });

  it("names a single node and its figure", () => {
    const probe = (missed: number) => [node("01A2B3C4", { name: "Frost probe row 12", missed, life: 2 })];
    expect(site([gateway(SHED)], probe(3))).toBe(
      "Frost probe row 12 lost 15 % on the air (3 of 20) in the last hour; the gateway was reachable.",
    );
    expect(site([gateway(SHED)], probe(0))).toBe(
      "Frost probe row 12 lost nothing on the air in the last hour; the gateway was reachable.",
    );
    expect(siteSentence([gateway(SHED)], probe(3), lastHour)[0]?.href).toBe("#/nodes/01A2B3C4/2");
  });

  it("does not judge nodes with few counters", () => {
    const few = node("01A00000", { expected: 9, missed: 5 });
    expect(site([gateway(SHED)], [few])).toBe(
      "1 node was heard in the last hour, too few counters to calculate loss; the gateway was reachable.",
    );
    expect(site([gateway(SHED)], [few, { ...few, devAddr: "01A00001" }])).toBe(
      "2 nodes were heard in the last hour, too few counters of each to calculate loss; the gateway was reachable.",
    );
    expect(site([gateway(SHED)], [...nodes(2), few])).toBe(
      "None of 2 nodes with 10 counters or more lost more than 5 % on the air in the last hour; the gateway was reachable.",
    );
    expect(site([gateway(SHED)], [node("01A2B3C4", { missed: 2 }), few])).toBe(
      "01A2B3C4, the only one of 2 nodes with 10 counters or more, lost 10 % on the air (2 of 20) in the last hour; the gateway was reachable.",
    );
  });

  it("does not count what was missed while no gateway was reachable as lost on the air", () => {
    const away = node("01A00000", { expected: 40, missed: 10, missedDuringOutage: 10 });
    expect(site([gateway(SHED)], [away, ...nodes(1)])).toContain("None of 2 nodes lost");
    // and does not judge by the few counters that are left
    const mostlyAway = node("01000000", { expected: 40, missed: 35, missedDuringOutage: 35 });
    expect(site([gateway(SHED)], [mostlyAway])).toContain("too few counters to calculate loss");
  });

  it("tells a gateway that is out from one that was", () => {
    const out = gateway(SHED, { name: "Packing shed", outages: [outage(50, 60)], standing: "bad" });
    const was = gateway(TOWER, { outages: [outage(-5, 2), outage(30, 31)], standing: "look" });
    expect(site([out], nodes(2))).toContain("; Packing shed has been unreachable for 10 min.");
    // only what lies in the window counts
    expect(site([out, was], nodes(2))).toContain(
      "; Packing shed has been unreachable for 10 min and gateway 02005E1000000002 was unreachable for 3 min.",
    );
    const third = { ...was, eui: POND };
    expect(site([out, was, third], nodes(2))).toMatch(/for 3 min, and 1 gateway more\.$/);
    expect(site([out, was, third, { ...was, eui: STORE }], nodes(2))).toMatch(
      /for 3 min, and 2 gateways more\.$/,
    );
  });

  it("claims no reach that nothing shows", () => {
    const mute = (eui: string, more: Partial<GatewayRow> = {}) =>
      gateway(eui, { keepaliveSeconds: null, ...more });
    const unknown = "too few keepalives came to tell whether";
    expect(site([mute(SHED)], nodes(2))).toContain(`; ${unknown} the gateway stayed reachable.`);
    expect(site([mute(SHED), mute(TOWER)], nodes(2))).toContain(
      `; ${unknown} both gateways stayed reachable.`,
    );
    expect(site([mute(SHED, { name: "Packing shed" }), gateway(TOWER)], nodes(2))).toContain(
      `; ${unknown} Packing shed stayed reachable.`,
    );
    expect(site([mute(SHED), mute(TOWER), gateway(POND)], nodes(2))).toContain(
      `; ${unknown} 2 of 3 gateways stayed reachable.`,
    );
    const reporting = mute(SHED);
    reporting.heartbeat = { ...reporting.heartbeat, statusReports: [1, 0, 1, 1] };
    expect(site([reporting], nodes(2))).toContain("; the gateway was reachable.");
  });

  it("says what is not there", () => {
    expect(site([], [])).toBe("No gateway was heard in the last hour.");
    expect(site([], [], { ...sixHours, toUs: sixHours.fromUs })).toBe("No gateway was heard so far.");
    expect(site([gateway(SHED)], [], sixHours)).toBe(
      "None of your nodes was heard in this window of 6 h; the gateway was reachable.",
    );
  });
});

describe("the sentence over the nodes", () => {
  const over = (rows: NodeRow[], assumed = true, window = lastHour) =>
    read(nodesSentence(rows, assumed, window));
  const stranger = (devAddr: string) => node(devAddr, { stranger: true, network: "NetID 000013" });

  it("names the one who lost most, with the count behind the share", () => {
    expect(over([...nodes(3, [1, 4]), stranger("26000001")])).toBe(
      "3 nodes and 1 stranger were heard in the last hour; 01000001 lost most, 20 % on the air (4 of 20).",
    );
    expect(nodesSentence(nodes(3, [1, 4]), true, lastHour).find(({ href }) => href !== undefined)?.href).toBe(
      "#/nodes/01000001/1",
    );
  });

  it("reads well with one node", () => {
    expect(over(nodes(1))).toBe("1 node was heard in the last hour; 01000000 lost nothing on the air.");
    expect(over(nodes(1, [2]))).toBe(
      "1 node was heard in the last hour; 01000000 lost 10 % on the air (2 of 20).",
    );
    expect(over([node("01000000", { expected: 4 })])).toBe(
      "1 node was heard in the last hour; too few counters to calculate loss.",
    );
  });

  it("reads well with many", () => {
    expect(over(nodes(3), false, sixHours)).toBe(
      "3 nodes of yours were heard in this window of 6 h; none of the nodes lost a counter on the air.",
    );
    expect(over([...nodes(2), node("01A00000", { expected: 4 })])).toBe(
      "3 nodes were heard in the last hour; none of the 2 nodes with 10 counters or more lost a counter on the air.",
    );
    expect(over([node("01A00000", { expected: 4 }), node("01B00000", { expected: 5 })])).toBe(
      "2 nodes were heard in the last hour; too few counters of each to calculate loss.",
    );
  });

  it("says when only strangers, or nobody, was heard", () => {
    expect(over([stranger("26000001")], false)).toBe(
      "1 stranger and none of your nodes was heard in the last hour.",
    );
    expect(over([])).toBe("No node was heard in the last hour.");
  });
});

describe("the sentence of one node", () => {
  const of = (more: Partial<NodeRow>, gaps = 0) => read(nodeSentence(node("01A2B3C4", more), gaps));

  it("gives delivery with its interval, and the gaps", () => {
    expect(of({ name: "Pond pump", missed: 3, deliveryInterval95: [0.64, 0.948] }, 2)).toBe(
      "Pond pump delivered 85 % of 20 counters (95 % interval 64 % to 95 %); 3 missed in 2 gaps.",
    );
    expect(of({ expected: 2, missed: 0, deliveryInterval95: [0.34, 1] })).toBe(
      "01A2B3C4 delivered 100 % of 2 counters (95 % interval 34 % to 100 %).",
    );
  });

  it("tells what was missed while no gateway was reachable", () => {
    expect(
      of({ expected: 2000, missed: 8, missedDuringOutage: 5, deliveryInterval95: [0.992, 0.998] }, 1),
    ).toBe(
      "01A2B3C4 delivered 99.6 % of 2 000 counters (95 % interval 99.2 % to 99.8 %); 8 missed in 1 gap, 5 of them while no gateway was reachable.",
    );
  });

  it("calls a silence overdue, not lost", () => {
    const words = of({ overdue: true, clause: "silent for 12\u202Fmin, it sends about every 60\u202Fs" });
    expect(words).toMatch(/; it is overdue: silent for 12 min, it sends about every 60 s\.$/);
    expect(words).not.toContain("missed");
  });

  it("says when there is too little, or nothing", () => {
    expect(of({ expected: 1 })).toBe(
      "01A2B3C4 was heard with one counter only: too early to speak of delivery.",
    );
    expect(of({ expected: 0, frames: 0, life: 2 })).toBe(
      "Nothing of 01A2B3C4, life 2, was heard in this window.",
    );
  });
});

describe("the sentence over the air", () => {
  it("names the busiest channel, and the strangers' share", () => {
    const channels = [
      channel(SHED, 868_100_000, { utilisation: 0.034, gatewayName: "Packing shed" }),
      channel(SHED, 868_300_000, { utilisation: 0.012, gatewayName: "Packing shed" }),
    ];
    expect(read(airSentence(channels, 0.25))).toBe(
      "The busiest channel, 868.1 MHz at Packing shed, was busy 3.4 % of the time; strangers made 25 % of the airtime of all nodes heard.",
    );
    expect(read(airSentence(channels, null))).toBe(
      "The busiest channel, 868.1 MHz at Packing shed, was busy 3.4 % of the time.",
    );
  });

  it("names a channel that was loud for some time before all else", () => {
    const loud = {
      from: "2026-03-14T09:15:10.000Z",
      to: "2026-03-14T10:30:05.000Z",
      beginSeen: true,
      endSeen: true,
      riseDb: 16.2,
    };
    const noisy = (eui: string, more: object = {}) => {
      const row = channel(eui, 868_300_000, { gatewayName: eui === SHED ? "Packing shed" : null });
      return { ...row, noiseTrend: { ...row.noiseTrend, loud: { ...loud, ...more } } };
    };
    const busy = channel(SHED, 868_100_000, { utilisation: 0.5 });
    expect(read(airSentence([busy, noisy(SHED)], null))).toBe(
      "868.3 MHz was 16.2 dB louder for 1 h 15 min at Packing shed.",
    );
    expect(read(airSentence([busy, noisy(SHED), noisy(TOWER, { riseDb: 14 })], null))).toBe(
      "868.3 MHz was 16.2 dB louder for 1 h 15 min at both gateways.",
    );
    expect(read(airSentence([noisy(SHED, { beginSeen: false, endSeen: false })], null))).toBe(
      "868.3 MHz was 16.2 dB louder for at least 1 h 15 min so far at Packing shed.",
    );
  });

  it("gives each gateway a line", () => {
    const channels = [
      channel(SHED, 866_000_000, { utilisation: 0.01, receptions: 30, crcBad: 5 }),
      channel(SHED, 865_062_500, { utilisation: 0.02, receptions: 20, crcBad: 0 }),
      channel(TOWER, 868_100_000, { utilisation: 0.9 }),
    ];
    const words = (eui: string) => airLine(eui, null, channels).words.replaceAll("\u202F", " ");
    expect(words(SHED)).toBe("2 channels heard, busiest 865.0625 MHz at 2.0 %, 10 % with a wrong CRC");
    expect(words(TOWER)).toBe("1 channel heard, busiest 868.1 MHz at 90 %");
    expect(words(POND)).toBe("nothing heard");
    expect(airLine(SHED, null, channels)).toMatchObject({
      busiestFrequencyHz: 865_062_500,
      busiestUtilisation: 0.02,
    });
  });

  it("writes whole megahertz with one decimal", () => {
    expect(airLine(SHED, null, [channel(SHED, 866_000_000)]).words).toContain("866.0\u202FMHz");
  });
});
