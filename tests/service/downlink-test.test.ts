import { describe, expect, it } from "vitest";
import { DownlinkTestAnswer, DownlinkTestPlan } from "../../src/contract/index.ts";
import { decodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { serviceUnderTest } from "./parts.ts";

const SHED = "02005E1000000001";
const ASKED = {
  gatewayEui: SHED,
  confirm: SHED,
  frequencyHz: 868_300_000,
  dataRate: "SF9BW125",
  powerDbm: 14,
};

async function setUp(allowsTransmit = true) {
  const { app, intake } = await serviceUnderTest();
  intake.allowsTransmit = allowsTransmit;
  const post = (payload: object) => app.inject({ method: "POST", url: "/api/downlink-test", payload });
  return { app, intake, post };
}

describe("POST /api/downlink-test", () => {
  it("asks the gateway for one proprietary frame, at once, and tells its word", async () => {
    const { intake, post } = await setUp();
    const response = await post(ASKED);
    expect(response.statusCode).toBe(200);
    const answer = DownlinkTestAnswer.parse(response.json());
    expect(answer).toMatchObject({
      outcome: "accepted",
      words: "taken for sending",
      answeredAfterMs: 4.2,
      airtimeMs: 144.384,
      to: "192.0.2.7 40000",
    });
    const frame = decodePhyPayload(Buffer.from(answer.hex, "hex"));
    expect(frame.ok && frame.value.messageType).toBe("Proprietary");
    expect(intake.transmitted).toMatchObject([
      {
        gatewayEui: SHED,
        transmission: {
          moment: { kind: "immediate" },
          frequencyHz: 868_300_000,
          powerDbm: 14,
          modulation: { spreadingFactor: 9, bandwidthHz: 125_000 },
          invertedPolarity: true,
        },
        what: "12 octets at 868.3\u202FMHz, SF9BW125, 14\u202FdBm, for 144\u202Fms",
      },
    ]);
  });

  it.each([
    ["the identifier is not typed", { confirm: "" }, 403, "test-not-confirmed"],
    ["another identifier is typed", { confirm: "02005E1000000002" }, 403, "test-not-confirmed"],
    ["the limits do not allow it", { powerDbm: 15 }, 409, "test-refused"],
    ["the request is none", { powerDbm: 400 }, 400, "bad-request"],
  ])("sends nothing when %s", async (_, part, status, code) => {
    const { intake, post } = await setUp();
    const response = await post({ ...ASKED, ...part });
    expect([response.statusCode, response.json<{ code: string }>().code]).toEqual([status, code]);
    expect(intake.transmitted).toEqual([]);
  });

  it("sends nothing unless transmitting was allowed, and never in line", async () => {
    const off = await setUp(false);
    const refused = await off.post(ASKED);
    expect(refused.statusCode).toBe(409);
    expect(refused.json<{ sentence: string }>().sentence).toContain("--allow-transmit");
    expect(off.intake.transmitted).toEqual([]);
    const inLine = await setUp(true);
    inLine.intake.now = {
      ...inLine.intake.now,
      relay: {
        upstreams: [],
        associations: 0,
        gateways: 0,
        up: 0,
        down: 0,
        notRelayed: { unreadable: 0, source: 0, loop: 0, capped: 0, hurried: 0 },
        loop: null,
        strayDownlinks: 0,
        lastAtUs: null,
        lastFrom: null,
        copiesLost: 0,
        kernelDrops: null,
        receiveBuffer: { askedBytes: 1, grantedBytes: 1 },
      },
    };
    expect((await inLine.post(ASKED)).json<{ sentence: string }>().sentence).toContain("network server");
    expect(inLine.intake.transmitted).toEqual([]);
  });

  it("passes on why the gateway was not asked", async () => {
    const { intake, post } = await setUp();
    intake.trouble =
      "That gateway has not called (PULL_DATA) within the last 30 s: there is no downlink path to it.";
    const response = await post(ASKED);
    expect([response.statusCode, response.json<{ sentence: string }>().sentence]).toEqual([
      409,
      intake.trouble,
    ]);
  });
});

describe("GET /api/downlink-test", () => {
  it("offers channels with their limits and the cautions, or says why not", async () => {
    const { app, intake } = await setUp();
    const url = `/api/downlink-test?gateway=${SHED}`;
    const plan = DownlinkTestPlan.parse((await app.inject(url)).json());
    expect(plan).toMatchObject({ allowed: true, why: "", region: "EU868" });
    expect(plan.cautions.join(" ")).toContain("without an antenna or a load");
    intake.allowsTransmit = false;
    const off = DownlinkTestPlan.parse((await app.inject(url)).json());
    expect(off.allowed).toBe(false);
    expect(off.why).toContain("--allow-transmit");
  });
});
