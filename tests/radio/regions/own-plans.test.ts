import { readFileSync } from "node:fs";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { Modulation } from "../../../src/model/modulation.ts";
import { contradictionsWith } from "../../../src/radio/regions/contradictions.ts";
import { dutyCycleLimitFor, dwellLimitFor } from "../../../src/radio/regions/limits.ts";
import { readOwnPlans } from "../../../src/radio/regions/own-plans.ts";
import { type HeardChannel, recogniseRegion } from "../../../src/radio/regions/recognise-region.ts";
import { type RegionPlan, regionPlans } from "../../../src/radio/regions/region-plan.ts";

const lora = (spreadingFactor: number, bandwidthHz = 125_000): Modulation => ({
  kind: "lora",
  spreadingFactor,
  bandwidthHz,
  codingRate: "4/5",
});
const fsk: Modulation = { kind: "fsk", bitrateBps: 50_000 };
const hopping: Modulation = { kind: "lr-fhss", type: 0, operatingWidthHz: 137_000, codingRate: "1/3" };

/** `count` receptions on each of some channels. */
function heardOn(mhz: readonly number[], count: number, modulation = lora(9)): HeardChannel[] {
  return mhz.map((f) => ({ frequencyHz: Math.round(f * 1e6), modulation, payloadBytes: 20, count }));
}

function read(...plans: readonly unknown[]): readonly RegionPlan[] {
  const reading = readOwnPlans(JSON.stringify({ plans }));
  if (!reading.ok) throw new Error(reading.sentence);
  return reading.plans;
}

function sentenceOf(content: unknown): string {
  const reading = readOwnPlans(typeof content === "string" ? content : JSON.stringify(content));
  return reading.ok ? "" : reading.sentence;
}

const channels = (...mhz: readonly number[]) => mhz.map((f) => ({ frequencyHz: Math.round(f * 1e6) }));
const MAIN = [863.1, 863.9, 864.7, 865.5];
const orchard = {
  name: "Orchard test plan",
  channels: [...channels(...MAIN), { frequencyHz: 866_300_000, dataRates: ["SF7BW250", "FSK 50 kb/s"] }],
  dataRates: ["SF7BW125", "SF9BW125", "SF12BW125", "M0CW137"],
  mostPayloadBytes: { SF12BW125: 51 },
  remark: "barn side only.",
};

describe("a plan of one's own", () => {
  const plans = read(orchard);

  it("is recognised by its channels, with its remark and without contradictions", () => {
    const heard = [...heardOn(MAIN, 15), ...heardOn([866.3], 4, lora(7, 250_000))];
    expect(recogniseRegion(heard, plans)).toMatchObject({
      verdict: "recognised",
      name: "Orchard test plan",
      subBand: null,
      contradictions: [],
      reason: "Orchard test plan, from 64 receptions; barn side only.",
    });
    expect(recogniseRegion(heard).name).not.toBe("Orchard test plan");
  });

  it("has no remark where none, or an empty one, was given", () => {
    const remarks = [undefined, "", "  ", " barn "].map(
      (remark) =>
        read({ name: "Gate", channels: channels(868.1), ...(remark === undefined ? {} : { remark }) })[0]
          ?.remark,
    );
    expect(remarks).toEqual([null, null, null, "barn"]);
  });

  it("takes every kind of data rate by the name that tables show", () => {
    const heard = [
      ...heardOn(MAIN, 15),
      ...heardOn([866.3], 4, fsk),
      ...heardOn([863.1], 4, hopping),
      ...heardOn([863.9], 4, { ...hopping, codingRate: "4/6" }),
    ];
    expect(contradictionsWith(plans[0]!, heard)).toEqual([]);
    const [loose] = read({ ...orchard, dataRates: [" sf9 bw125", "fsk50kb/s"], mostPayloadBytes: {} });
    expect(contradictionsWith(loose!, heardOn(MAIN.slice(1), 3, fsk))).toEqual([]);
  });

  it("is contradicted by a frequency, a data rate, a size and silence", () => {
    const heard = [
      ...heardOn(MAIN.slice(0, 3), 20),
      ...heardOn([867.9], 3),
      ...heardOn([863.1], 2, lora(8)),
      ...heardOn([863.9], 2, lora(7, 250_000)),
      { frequencyHz: 863_100_000, modulation: lora(12), payloadBytes: 65, count: 1 },
    ];
    expect(contradictionsWith(plans[0]!, heard)).toEqual([
      "3 receptions at 867.9\u202FMHz, which is not an uplink channel of Orchard test plan.",
      "2 receptions with SF8BW125, which is not an uplink data rate of Orchard test plan.",
      "2 receptions with SF7BW250 at 863.9\u202FMHz, a data rate that this channel does not allow.",
      "SF12BW125 frames of up to 65 octets, more than the 64 that Orchard test plan allows at this data rate.",
      "Never heard in 68 receptions: 865.5, 866.3\u202FMHz of Orchard test plan.",
    ]);
    const recognised = recogniseRegion(heard.slice(0, 4), plans);
    expect(recognised.name).toBe("Orchard test plan");
    expect(recognised.contradictions[0]).toContain("867.9\u202FMHz");
  });

  it("allows a frame of just the size it names: 51 octets of payload and 13 of frame", () => {
    const just = { frequencyHz: 863_100_000, modulation: lora(12), payloadBytes: 64, count: 5 };
    expect(contradictionsWith(plans[0]!, [just])).toEqual([]);
  });

  it("allows every data rate where neither it nor the channel names any", () => {
    const [open] = read({
      name: "Open",
      channels: [...channels(863.1), { frequencyHz: 863_900_000, dataRates: ["SF9BW125"] }],
      mostPayloadBytes: { SF11BW125: 20 },
    });
    const heard = [
      ...heardOn([863.1], 9, lora(12, 62_500)),
      ...heardOn([863.9], 9),
      ...heardOn([863.1], 9, fsk),
    ];
    expect(contradictionsWith(open!, heard)).toEqual([]);
    expect(contradictionsWith(open!, heardOn([863.9], 3, lora(10)))).toEqual([
      "3 receptions with SF10BW125 at 863.9\u202FMHz, a data rate that this channel does not allow.",
    ]);
    const long = { frequencyHz: 863_100_000, modulation: lora(11), payloadBytes: 34, count: 2 };
    expect(contradictionsWith(open!, [long])[0]).toContain("more than the 33 that Open allows");
  });

  it("goes before a region that explains the same, and the region stays an alternative", () => {
    const [same] = read({ name: "Gate", channels: channels(868.1, 868.3, 868.5) });
    const result = recogniseRegion(heardOn([868.1, 868.3, 868.5], 20), [same!]);
    expect(result).toMatchObject({ verdict: "recognised", name: "Gate" });
    expect(result.confidence).toBeCloseTo(5 / 6, 2);
    expect(result.alternatives[0]).toMatchObject({ name: "EU868" });
  });

  it("that another own plan equals stays ambiguous", () => {
    const two = read(
      { name: "Gate", channels: channels(868.1, 868.3) },
      { name: "Shed", channels: channels(868.1, 868.3) },
    );
    const result = recogniseRegion(heardOn([868.1, 868.3], 20), two);
    expect(result.verdict).toBe("ambiguous");
    expect(result.alternatives.map((a) => a.name).slice(0, 2)).toEqual(["Gate", "Shed"]);
  });

  it("gives way to a region on two channels of it, or on a data rate of its own lacking; what departs is told", () => {
    const narrow = read({ name: "Gate", channels: channels(868.1, 868.3, 868.5), dataRates: ["SF9BW125"] });
    const wider = heardOn([868.1, 868.3, 868.5, 867.1, 867.3], 12);
    expect(recogniseRegion(wider, narrow).name).toBe("EU868");
    const faster = [...heardOn([868.1, 868.3, 868.5], 20), ...heardOn([868.1], 4, lora(7))];
    const result = recogniseRegion(faster, narrow);
    expect(result).toMatchObject({ name: "EU868", contradictions: [] });
    expect(result.reason).toBe(
      "EU863-870, from 64 receptions. Against Gate: 4 receptions with SF7BW125, which is not an uplink data rate of Gate.",
    );
    expect(recogniseRegion(wider, narrow).reason).toBe("EU863-870, from 60 receptions.");
  });

  it("of sixteen channels is recognised by a gateway that listens to eight of them", () => {
    const sixteen = Array.from({ length: 16 }, (_, i) => Math.round((863.1 + 0.3 * i) * 10) / 10);
    const [large] = read({ name: "Large", channels: channels(...sixteen) });
    expect(recogniseRegion(heardOn(sixteen.slice(8), 8), [large!]).name).toBe("Large");
  });

  it("elsewhere leaves the judgement of every region as it was", () => {
    for (const region of regionPlans) {
      const mhz = region.variants
        .at(-1)!
        .channels.slice(8, 16)
        .map((c) => c.frequencyHz / 1e6);
      const defaults = region.variants[0]!.channels.slice(0, 3).map((c) => c.frequencyHz / 1e6);
      const modulation = region.name === "ISM2400" ? lora(9, 812_500) : lora(9);
      const heard = heardOn(region.kind === "fixed" ? mhz : defaults, 12, modulation);
      const alone = recogniseRegion(heard);
      const beside = recogniseRegion(heard, plans);
      expect(beside.name).toBe(alone.name);
      expect(beside.confidence).toBeCloseTo(alone.confidence, 6);
      expect(beside.reason).toBe(alone.reason);
    }
  });

  it("in the form that README.md shows can be read", () => {
    const readme = readFileSync(new URL("../../../README.md", import.meta.url), "utf8");
    const [, example] = /```json\n(\{"plans"[^`]*)```/.exec(readme)!;
    const reading = readOwnPlans(example!);
    expect(reading.ok && reading.plans.map((plan) => plan.name)).toEqual(["Orchard test plan"]);
  });

  it("has no legal limits: its file names none", () => {
    expect(dutyCycleLimitFor(863_100_000, plans[0]!)).toBeNull();
    expect(dwellLimitFor(plans[0]!, 125_000)).toBeNull();
  });
});

describe("a plan file that cannot be used is told in one sentence that says where", () => {
  const plan = { name: "Gate", channels: channels(868.1) };
  const cases: readonly (readonly [string, unknown, string])[] = [
    ["another shape", [plan], 'the whole must be {"plans": [ … ]}'],
    ["no plans", { plans: [] }, "plans must hold one plan at least"],
    ["an unknown key of the file", { plans: [plan], plan: 1 }, "the whole has the unknown key “plan”"],
    [
      "an unknown key of a plan",
      { plans: [plan, { ...plan, name: "Shed", channel: [] }] },
      "plan 2 (Shed) has the unknown key “channel”",
    ],
    [
      "an unknown key of a channel",
      { plans: [{ ...plan, channels: [...plan.channels, { frequencyHz: 868_300_000, sf: 7 }] }] },
      "channel 2 of plan 1 (Gate) has the unknown key “sf”",
    ],
    [
      "megahertz",
      { plans: [{ ...plan, channels: [{ frequencyHz: 868.1 }] }] },
      "frequencyHz of channel 1 of plan 1 (Gate) must be a whole number of hertz from 100000000 to 3000000000, such as 868100000",
    ],
    ["no name", { plans: [{ channels: [] }] }, "name of plan 1 must be a text of 1 to 60 characters"],
    [
      "no channel",
      { plans: [{ ...plan, channels: [] }] },
      "channels of plan 1 (Gate) must have one channel at least",
    ],
    [
      "a data rate that is none",
      { plans: [{ ...plan, dataRates: ["SF7BW125", "SF13BW125"] }] },
      "data rate 2 of plan 1 (Gate) must be the name of a data rate, such as SF7BW125, FSK 50 kb/s or M0CW137",
    ],
    [
      "a bandwidth that is none, on a channel",
      { plans: [{ ...plan, channels: [{ frequencyHz: 868_100_000, dataRates: ["SF7BW126"] }] }] },
      "data rate 1 of channel 1 of plan 1 (Gate) must be the name of a data rate, such as SF7BW125, FSK 50 kb/s or M0CW137",
    ],
    [
      "a size that is none",
      { plans: [{ ...plan, mostPayloadBytes: { SF7BW125: 243 } }] },
      "SF7BW125 of mostPayloadBytes of plan 1 (Gate) must be a whole number from 0 to 242",
    ],
    [
      "a size of no data rate",
      { plans: [{ ...plan, mostPayloadBytes: { SF7: 51 } }] },
      "mostPayloadBytes of plan 1 (Gate) names “SF7”, which is no data rate such as SF7BW125, FSK 50 kb/s or M0CW137",
    ],
    [
      "a size of a data rate that the plan does not allow",
      { plans: [{ ...plan, dataRates: ["SF8BW125"], mostPayloadBytes: { SF7BW125: 51 } }] },
      "mostPayloadBytes of plan 1 (Gate) names SF7BW125, which no channel of it allows",
    ],
    [
      "two sizes of one data rate",
      { plans: [{ ...plan, mostPayloadBytes: { SF7BW125: 51, sf7bw125: 52 } }] },
      "mostPayloadBytes of plan 1 (Gate) names sf7bw125 twice",
    ],
    [
      "a region's name",
      { plans: [{ ...plan, name: " eu868 " }] },
      "plan 1 (eu868) has the name of the built-in region EU868; choose another",
    ],
    [
      "the name of a region's plan",
      { plans: [{ ...plan, name: "US902-928" }] },
      "plan 1 (US902-928) has the name of the built-in region US915; choose another",
    ],
    [
      "a name twice",
      { plans: [plan, { ...plan, name: "GATE" }] },
      "plan 2 (GATE) has the same name as plan 1",
    ],
    [
      "two channels in one place",
      { plans: [{ ...plan, channels: channels(868.3, 868.1, 868.3) }] },
      "plan 1 (Gate) has two channels at 868.3 and 868.3\u202FMHz, too close to be distinguished",
    ],
  ];
  it.each(cases)("%s", (_, content, trouble) => {
    expect(sentenceOf(content)).toBe(`The plan file cannot be used: ${trouble}.`);
  });

  it("what is not JSON", () => {
    expect(sentenceOf('{"plans": [}')).toMatch(/^The plan file is not JSON: [^\n]+\.$/);
    expect(sentenceOf("")).toMatch(/^The plan file is not JSON: /);
  });

  it("whatever it holds: reading never throws, and a sentence is one line", () => {
    const leaf = fc.oneof(fc.string(), fc.double(), fc.constantFrom(null, true, "SF7BW125", 868_100_000));
    const keys = fc.constantFrom("name", "channels", "dataRates", "mostPayloadBytes", "frequencyHz", "x\ny");
    const content = fc.letrec((tie) => ({
      any: fc.oneof({ depthSize: "small" }, leaf, fc.array(tie("any")), fc.dictionary(keys, tie("any"))),
    })).any;
    fc.assert(
      fc.property(fc.oneof(content, fc.record({ plans: fc.array(content) })), (data) => {
        const reading = readOwnPlans(JSON.stringify(data) ?? "");
        expect(reading.ok ? "one line." : reading.sentence).toMatch(/^[^\n\r]+\.$/u);
      }),
      { numRuns: 300 },
    );
  });

  it("but not a byte order mark before it", () => {
    expect(readOwnPlans(`\uFEFF${JSON.stringify({ plans: [plan] })}`).ok).toBe(true);
  });
});
