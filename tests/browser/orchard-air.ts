/** The invented site's air beyond its channels: networks, collisions, deaf time, airtime against limits. */
import type {
  AirGateway,
  AirtimeOfNode,
  AirView,
  ChannelRow,
  NoiseSource,
} from "../../src/contract/index.ts";

export function noiseTrend(at: number): ChannelRow["noiseTrend"] {
  const few = {
    slopeDbPerHour: null,
    slopeInterval95: null,
    changeDb: null,
    loudestDb: null,
    p: null,
    values: 2,
    loud: null,
  };
  if (at < 2)
    return {
      ...few,
      verdict: "not enough",
      words: "Not enough to say: 2 of 8 stretches have enough weak frames.",
    };
  const rises = at === 6;
  return {
    verdict: rises ? "rises" : "steady",
    words: rises ? "Rises by 9.1\u202FdB over the window (p < 0.001)." : "Steady over the window.",
    slopeDbPerHour: rises ? 9.4 : 0.1,
    slopeInterval95: rises ? [8.1, 10.2] : [-0.2, 0.3],
    changeDb: rises ? 9.1 : 0.1,
    loudestDb: rises ? 6.2 : 0.4,
    p: rises ? 0.0001 : 0.4,
    values: 24,
    loud: null,
  };
}

/** Loud at the Water tower for the third quarter of the window. */
export function noiseSource(fromMs: number, toMs: number): NoiseSource {
  const at = (share: number) => new Date(fromMs + share * (toMs - fromMs)).toISOString();
  const shared = { frequencyHz: 868_300_000, samples: 24 };
  return {
    kind: "loud time",
    from: at(0.5),
    to: at(0.75),
    beginSeen: true,
    endSeen: true,
    frequenciesHz: [868_300_000],
    width: "one channel",
    course: { verdict: "steady", periodSeconds: null, onShare: null, p: null },
    loudestHours: [{ hour: 9, medianDbm: -101.2, samples: 14 }],
    gateways: [
      {
        gatewayEui: "02005E1000000001",
        gatewayName: "Packing shed",
        status: "raised",
        ...shared,
        quietDbm: -117.1,
        loudDbm: -109.9,
        riseDb: 7.2,
        riseInterval95: [6.6, 7.8],
        receivedDbm: -110.8,
      },
      {
        gatewayEui: "02005E1000000002",
        gatewayName: "Water tower",
        status: "raised",
        ...shared,
        quietDbm: -116.4,
        loudDbm: -101.2,
        riseDb: 15.2,
        riseInterval95: [14.7, 15.7],
        receivedDbm: -101.3,
      },
    ],
    place: {
      verdict: "strongest",
      gatewayEui: "02005E1000000002",
      differenceDb: 9.5,
      lowDb: 5.3,
      highDb: 13.7,
      words: "Strongest at Water tower, 9.5\u202FdB (5.3 to 13.7) above Packing shed.",
    },
    walk: {
      fromEui: "02005E1000000001",
      towardsEui: "02005E1000000002",
      distanceM: 412,
      words:
        "Walk from Packing shed towards Water tower (412\u202Fm) and measure again. This is a direction to try, no bearing: walls, antennas and receivers make such differences too.",
    },
    words:
      "868.3\u202FMHz: 15.2\u202FdB louder for 15\u202Fmin at Water tower, steady as far as frames show, on this channel only.",
  };
}

const NETWORKS: AirView["networks"] = [
  { network: "private", stranger: false, nodes: 12, receptions: 900, frames: 520, airtimeSeconds: 260 },
  { network: "NetID 000013", stranger: true, nodes: 2, receptions: 80, frames: 60, airtimeSeconds: 70 },
  { network: null, stranger: null, nodes: 0, receptions: 31, frames: 0, airtimeSeconds: 9 },
];

function gateway(eui: string, name: string, frequencies: readonly number[], from: string): AirGateway {
  const visible = name !== "Water tower";
  return {
    gatewayEui: eui,
    gatewayName: name,
    region: "EU868",
    firstHeard: from,
    dataRates: [7, 8, 9, 10, 11, 12].map((sf) => ({
      name: `SF${sf}BW125`,
      receptions: 300 >> (sf - 7),
      frames: 290 >> (sf - 7),
      airtimeSeconds: 20 + sf * 3,
    })),
    networks: NETWORKS,
    collisions: frequencies.flatMap((frequencyHz, at) =>
      [7, 10].map((sf) => ({
        frequencyHz,
        dataRate: `SF${sf}BW125`,
        frames: 60 - sf,
        offeredLoad: 0.002 * (at + 1),
        aloha: 0.004 * (at + 1),
        captureTheory: at < 3 ? null : 0.003 * (at + 1),
        captureMeasured: at < 3 ? null : 0.002 * (at + 1),
      })),
    ),
    collisionWords:
      "By ALOHA 1.4\u202F% of the frames should be spoilt by others; with the stronger one surviving, 0.8\u202F% to 1.1\u202F%.",
    deaf: {
      visible,
      words: visible
        ? "Deaf for 14.2\u202Fs (0.39\u202F%) by 21 downlinks, which can cost up to 0.6\u202F% of the frames."
        : "Not visible here: no downlink of this gateway passes this machine.",
      sent: visible ? 21 : 0,
      refused: 0,
      seconds: visible ? 14.2 : null,
      share: visible ? 0.0039 : null,
      spoiltShare: visible ? 0.006 : null,
      reportedSent: null,
    },
    demodulators: {
      meanErlang: 0.09,
      busiestErlang: 0.31,
      blockedOf8: 0,
      blockedOf16: 0,
      matters: false,
      words: "Demodulators are no bottleneck: 0.31\u202FE in the busiest stretch.",
    },
  };
}

function airtime(
  devAddr: string,
  name: string,
  atLeast: number,
  more: Partial<AirtimeOfNode>,
): AirtimeOfNode {
  return {
    devAddr,
    name,
    network: "private",
    stranger: false,
    region: "EU868",
    subBand: "M",
    fromHz: 868_000_000,
    toHz: 868_600_000,
    limit: 0.01,
    frames: 60,
    airtimeSeconds: atLeast * 3600,
    atLeast,
    estimate: atLeast * 1.05,
    deliveryRatio: 0.95,
    fullestHourTo: "2026-03-14T09:40:00.000Z",
    standing: "good",
    words: "under 1.0\u202F% by what was heard",
    source: "EN 300 220-2",
    dwell: null,
    ...more,
  };
}

/** Everything of the air view that rests on single packets. */
export function airParts(
  from: string,
  to: string,
  frequencies: readonly number[],
  gateways: readonly { readonly eui: string; readonly name: string }[],
): Pick<AirView, "detail" | "gateways" | "networks" | "airtime"> {
  return {
    detail: { from, to, whole: true, packets: 1011 },
    gateways: gateways.map(({ eui, name }) => gateway(eui, name, frequencies, from)),
    networks: NETWORKS,
    airtime: [
      airtime("01F2A401", "Pond pump", 0.0131, {
        standing: "bad",
        words: "over 1.0\u202F% by what was heard alone",
      }),
      airtime("01F2A221", "Soil probe row 21", 0.0084, { standing: "look", words: "close to 1.0\u202F%" }),
      airtime("01F2A117", "Frost probe row 17", 0.002, {}),
    ],
  };
}
