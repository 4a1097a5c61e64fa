/** The network of a synthetic site: what it sends down, what nodes make of it, and what the gateway then misses. */
import { describe, expect, it } from "vitest";
import { playSite } from "../../src/simulate/play-site.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import { decodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { gateway, lifeOf, node, packetsOf, play, SHED, START_US, site } from "./small-site.ts";

const CLOCK = { startUs: START_US, speed: 1 };
const served = (more: object = {}, server: object = {}) => site({ duration: "2:00:00", server, ...more });
const confirmed = (more: object = {}) => node({ rhythmSeconds: 60, confirmed: true, ...more });

/** What the capture of a run holds, decoded: requests down, and their answers. */
function downlinks(scenario: ReturnType<typeof site>) {
  const datagrams = captureSite(playSite(scenario, createRandom(1), CLOCK), scenario, CLOCK);
  const requests = datagrams.flatMap(({ bytes, from, atUs }) => {
    const decoded = from.port === 1700 ? decodeDownstream(bytes) : null;
    return decoded?.ok === true && decoded.datagram.kind === "pull-response"
      ? [{ ...decoded.datagram, atUs, oddities: decoded.oddities }]
      : [];
  });
  const answers = datagrams.flatMap(({ bytes, to, atUs }) => {
    const decoded = to.port === 1700 ? decodeUpstream(bytes) : null;
    return decoded?.ok === true && decoded.datagram.kind === "tx-ack" ? [{ ...decoded.datagram, atUs }] : [];
  });
  return { requests, answers };
}

describe("a confirmed frame", () => {
  it("is repeated until it is acknowledged, and once where the link is good", () => {
    const { truth } = play(served({ nodes: [confirmed()] }));
    expect(lifeOf(truth).transmissions).toBe(lifeOf(truth).sent);
    const [{ transmitted, txAcks, pullResponses }] = truth.gateways as [(typeof truth.gateways)[0]];
    expect(transmitted).toBeGreaterThan(0.97 * lifeOf(truth).sent);
    expect(txAcks).toBe(pullResponses);
  });

  it("is repeated to the last where nothing comes down", () => {
    const silent = played({ acknowledges: false });
    expect(silent.transmissions).toBe(silent.sent);
    // Down with 40 dB less: heard, never answered.
    const weak = played({ powerDbm: -10 }, { pathGainDb: { [SHED]: -134 }, confirmedAttempts: 4 });
    expect(weak.transmissions).toBeGreaterThan(3.2 * weak.sent);
  });

  const played = (server: object, more: object = {}) =>
    lifeOf(play(served({ nodes: [confirmed(more)] }, server)).truth);
});

describe("the capture", () => {
  it("holds each request and its answer, in the window that the region gives", () => {
    for (const [window, seconds] of [
      ["rx1", 1],
      ["rx2", 2],
    ] as const) {
      const scenario = served({ nodes: [confirmed()] }, { window });
      const { requests, answers } = downlinks(scenario);
      expect(requests.length).toBeGreaterThan(100);
      expect(answers.map(({ token }) => token)).toEqual(requests.map(({ token }) => token));
      expect(answers.every(({ outcome }) => outcome.result === "accepted")).toBe(true);
      const { passages } = play(scenario);
      for (const { transmission, oddities } of requests) {
        expect(oddities).toEqual([]);
        const { moment, frequencyHz } = transmission!;
        const uplink = packetsOf(passages).find(
          ({ packet }) => moment.kind === "counter" && moment.tmstUs - packet.tmstUs! === seconds * 1e6,
        );
        expect(uplink).toBeDefined();
        expect(frequencyHz).toBe(seconds === 1 ? uplink!.packet.frequencyHz : 869_525_000);
        const phy = decodePhyPayload(transmission!.payload!);
        expect(phy).toMatchObject({
          ok: true,
          value: { messageType: "UnconfirmedDataDown", fCtrl: { ack: true } },
        });
      }
    }
  });

  it("shows a request that came too late for its window", () => {
    const network = { latencyMs: 700, jitterMs: 1 };
    const { answers } = downlinks(served({ nodes: [confirmed()], network }));
    expect(answers.length).toBeGreaterThan(50);
    for (const { outcome } of answers) expect(outcome).toMatchObject({ result: "refused", word: "TOO_LATE" });
  });

  it("counts them in the status reports", () => {
    const { passages, truth } = play(served({ nodes: [confirmed()] }));
    const reports = passages.flatMap(({ datagram }) =>
      datagram.kind === "push-data" && datagram.status !== null ? [datagram.status] : [],
    );
    const sum = (figure: (report: (typeof reports)[0]) => number | null) =>
      reports.reduce((total, report) => total + (figure(report) ?? 0), 0);
    expect(sum(({ txEmitted }) => txEmitted)).toBeGreaterThan(0.95 * truth.gateways[0]!.transmitted);
    expect(sum(({ downlinkDatagrams }) => downlinkDatagrams)).toBeGreaterThan(100);
  });
});

describe("a gateway that answers", () => {
  it("is deaf meanwhile: frames that overlap its transmissions are lost, at either end", () => {
    const crowd = Array.from({ length: 12 }, (_, index) =>
      node({
        name: `chatterer ${index}`,
        devAddr: `01F2A20${index.toString(16).toUpperCase()}`,
        rhythmSeconds: 7,
      }),
    );
    const scenario = served({ nodes: [confirmed({ spreadingFactor: 12, rhythmSeconds: 20 }), ...crowd] });
    const { truth } = play(scenario);
    const deaf = truth.nodes.flatMap(({ counters }) =>
      counters.filter(({ fate }) => fate === "gateway-transmitting"),
    ).length;
    const sent = truth.nodes.reduce((sum, life) => sum + life.sent, 0);
    const busy = truth.gateways[0]!.transmitSeconds / 7200;
    expect(busy).toBeGreaterThan(0.03);
    expect(deaf / sent).toBeGreaterThan(0.7 * busy);
    expect(deaf / sent).toBeLessThan(1.6 * busy + 0.02);
  });
});

describe("a join", () => {
  const joiner = (more: object = {}) =>
    node({ activation: "otaa", devEui: "02005E1000000031", rhythmSeconds: 60, ...more });

  it("is answered by a join-accept 5 s after the request, and begins a session that its keys prove", () => {
    const scenario = served({ nodes: [joiner()] });
    const { requests } = downlinks(scenario);
    expect(requests[0]!.transmission!.payload!.length).toBe(17);
    expect(requests[0]!.transmission!.payload![0]).toBe(0x20);
    const { truth, passages } = play(scenario);
    expect(truth.joins).toHaveLength(1);
    const [request, first] = packetsOf(passages);
    expect(first!.transmission.startUs - request!.transmission.endUs).toBeGreaterThan(6e6);
    expect(lifeOf(truth).began).toBe("join");
  });

  it("is asked for again and again, less often each time, where no answer is heard", () => {
    const { truth } = play(served({ nodes: [joiner({ pathGainDb: { [SHED]: -134 } })] }, { powerDbm: -10 }));
    const times = truth.joins.map(({ at }) => Date.parse(at) / 1000);
    expect(times.length).toBeGreaterThan(8);
    expect(times[1]! - times[0]!).toBeLessThan(13);
    expect(times.at(-1)! - times.at(-2)!).toBeGreaterThan(590);
    expect(truth.nodes).toEqual([]);
  });
});

describe("data rate and power", () => {
  const adr = { afterFrames: 10, marginDb: 10 };

  it("follow the command of a network that heard ten frames, which the node answers", () => {
    const far = node({ rhythmSeconds: 60, spreadingFactor: 11, pathGainDb: { [SHED]: -115 } });
    const { passages } = play(served({ nodes: [far] }, { adr }));
    const frames = packetsOf(passages).map(({ packet }) => packet);
    const factors = frames.map(({ modulation }) => modulation.kind === "lora" && modulation.spreadingFactor);
    expect(factors.slice(0, 10)).toEqual(Array(10).fill(11));
    // SNR saturates near 12 dB: 12 + 17.5 - 10 dB are six steps of 3 dB: four to SF7, two of power.
    expect(factors.slice(11).every((factor) => factor === 7)).toBe(true);
    const answered = decodePhyPayload(frames.find((_, index) => factors[index] === 7)!.payload!);
    expect(answered).toMatchObject({ ok: true, value: { fOpts: Uint8Array.of(0x03, 0x07) } });
    const levels = frames.map(({ signals }) => signals[0]!.signalRssiDbm!);
    const mean = (values: number[]) => values.reduce((sum, value) => sum + value, 0) / values.length;
    expect(mean(levels.slice(15)) - mean(levels.slice(0, 10))).toBeLessThan(-2);
  });

  it("step back up where a node is not answered for long", () => {
    const deaf = node({ rhythmSeconds: 20, spreadingFactor: 7, pathGainDb: { [SHED]: -124 } });
    const { passages } = play(served({ nodes: [deaf] }, { powerDbm: -10, adr }));
    const frames = packetsOf(passages).map(({ transmission }) => transmission);
    const asks = frames.filter(({ payload }) => (payload[5]! & 0x40) !== 0);
    expect(asks[0]!.counter).toBe(63);
    expect(frames.find(({ modulation }) => modulation.spreadingFactor === 8)!.counter).toBe(95);
  });
});

describe("a request of a real server", () => {
  const request = (more: object = {}) => ({
    moment: { kind: "immediate" as const },
    frequencyHz: 868_100_000,
    rfChain: 0,
    powerDbm: 14,
    modulation: {
      kind: "lora" as const,
      spreadingFactor: 12,
      bandwidthHz: 125_000,
      codingRate: "4/5" as const,
    },
    frequencyDeviationHz: null,
    invertedPolarity: true,
    preamble: null,
    payload: new Uint8Array(20),
    withoutCrc: true,
    implicitHeader: false,
    ...more,
  });

  it("is taken or refused as the reference daemons do", () => {
    const run = playSite(site({ gateways: [gateway(SHED, { uptimeSeconds: 100 })] }), createRandom(1), CLOCK);
    const ask = (more: object) => run.ask(SHED, request(more), 10e6)?.word;
    // The counter stands at 110 s.
    expect(ask({ moment: { kind: "counter", tmstUs: 111e6 } })).toBeNull();
    expect(ask({ moment: { kind: "counter", tmstUs: 111.5e6 } })).toBe("COLLISION_PACKET");
    expect(ask({ moment: { kind: "counter", tmstUs: 110.01e6 } })).toBe("TOO_LATE");
    expect(ask({ moment: { kind: "counter", tmstUs: 2 ** 32 - 1e6 } })).toBe("TOO_LATE");
    expect(ask({ moment: { kind: "counter", tmstUs: 600e6 } })).toBe("TOO_EARLY");
    expect(ask({ moment: { kind: "gps", gpsTimeMs: 1e12 } })).toBe("GPS_UNLOCKED");
    expect(ask({ frequencyHz: 915_000_000 })).toBe("TX_FREQ");
    expect(ask({})).toBeNull();
    expect(run.ask("02005E10000000FF", request(), 10e6)).toBeNull();
  });
});
