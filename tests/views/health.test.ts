/** The few figures that checks, watches and machines ask for, of a site that is worked out by hand. */
import { describe, expect, it } from "vitest";
import { siteHealth } from "../../src/views/health.ts";
import { siteFigures } from "../../src/views/site-figures.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, listenedSite, moment, windowOf } from "./a-site.ts";

const OWN = "01A2B3C4";
const EARLY = "01A2B3C5";
const STRANGER = "26011234";
const HOUR = 3_600;

/** An hour: the shed all along, the tower for ten minutes; an own node every minute less five, one at the begin, a stranger. */
const site = listenedSite(
  [
    ...keepalives(SHED, 0, HOUR),
    ...keepalives(TOWER, 0, 600),
    ...Array.from({ length: 60 }, (_, i) => i)
      .filter((i) => i < 20 || i > 24)
      .map((i) => push(SHED, i * 60 + 7, [{ payload: phy(OWN, 100 + i) }], i)),
    push(TOWER, 107, [{ payload: phy(EARLY, 3) }], 500),
    push(SHED, 1_000, [{ payload: phy(STRANGER, 5) }], 501),
    push(SHED, 1_060, [{ payload: phy(STRANGER, 6) }], 502),
    push(SHED, 1_100, [{ payload: phy(STRANGER, 7), crc: "bad" }], 503),
  ],
  HOUR,
);
const NONE = { gateways: [], nodes: [] };

describe("how a site stands", () => {
  it("is each gateway's silence and each node's counters, at the end of the hour", () => {
    const { nodes, ...rest } = siteHealth(site, windowOf(0, HOUR, true), NONE);
    expect(rest).toEqual({
      recordedSeconds: HOUR,
      notRecordingSeconds: 0,
      gateways: [
        { eui: SHED, name: null, silentSeconds: 10, isOut: false },
        { eui: TOWER, name: null, silentSeconds: HOUR - 590, isOut: true },
      ],
    });
    const node = { name: null, isStranger: false, isOverdue: false, missedDuringOutage: 0 };
    expect([...nodes].sort((a, b) => a.devAddr.localeCompare(b.devAddr))).toEqual([
      { ...node, devAddr: OWN, silentSeconds: HOUR - 3_547, expected: 60, missed: 5 },
      { ...node, devAddr: EARLY, silentSeconds: HOUR - 107, expected: 1, missed: 0 },
      { ...node, devAddr: STRANGER, isStranger: true, silentSeconds: HOUR - 1_060, expected: 2, missed: 0 },
    ]);
  });

  it("is told of a node heard before the window only when it is asked for, and of none that never was", () => {
    const later = windowOf(1_800, HOUR, true);
    const addresses = (nodes: readonly string[]) =>
      siteHealth(site, later, { gateways: [], nodes }).nodes.map(({ devAddr }) => devAddr);
    expect(addresses([])).toEqual([OWN]);
    expect(addresses([EARLY, OWN, "01FFFFFF"])).toEqual([OWN, EARLY]);
    expect(siteHealth(site, later, { gateways: [], nodes: [EARLY] }).nodes[1]).toEqual({
      ...{ devAddr: EARLY, name: null, isStranger: false, silentSeconds: HOUR - 107, isOverdue: false },
      ...{ expected: 0, missed: 0, missedDuringOutage: 0 },
    });
    expect(siteHealth(site, later, { gateways: [], nodes: [STRANGER] }).nodes[1]?.isStranger).toBe(true);
  });

  it("counts recorded time only, and says for how long nothing was", () => {
    const { recordedSeconds, notRecordingSeconds, gateways } = siteHealth(
      site,
      windowOf(1_800, HOUR + 300, true),
      NONE,
    );
    // The newest moment lies inside: a microsecond more.
    expect(recordedSeconds).toBeCloseTo(1_800, 5);
    expect(notRecordingSeconds).toBeCloseTo(300, 5);
    expect(gateways.map(({ silentSeconds }) => silentSeconds)).toEqual([10, HOUR - 590]);
  });
});

describe("the figures for machines", () => {
  it("are those of the last hour, own nodes only", () => {
    const { gateways, channels, nodes, cut } = siteFigures(site, START_US + HOUR * 1e6);
    expect(gateways).toEqual([
      // 360 keepalives and 58 datagrams with a packet, of which one has a wrong CRC.
      {
        ...{
          eui: SHED,
          receptions: 58,
          crcBad: 1,
          datagrams: 418,
          keepaliveSeconds: 10,
          lastHeard: moment(3_590),
        },
        lastKeepaliveUs: START_US + 3_590e6,
      },
      {
        ...{
          eui: TOWER,
          receptions: 1,
          crcBad: 0,
          datagrams: 61,
          keepaliveSeconds: 10,
          lastHeard: moment(590),
        },
        lastKeepaliveUs: START_US + 590e6,
      },
    ]);
    expect(nodes.map((node) => ({ ...node })).sort((a, b) => a.devAddr.localeCompare(b.devAddr))).toEqual([
      { devAddr: OWN, life: 1, heard: 55, missed: 5, missedNotRecorded: 0, lastHeard: moment(3_547) },
      { devAddr: EARLY, life: 1, heard: 1, missed: 0, missedNotRecorded: 0, lastHeard: moment(107) },
    ]);
    // SF9, 125 kHz, 4/5, 17 octets of PHY payload: 12.25 + 8 + ceil(8 x 17 - 36 + 44) / 36) x 5 = 40.25 symbols of 4.096 ms.
    const airtimeSeconds = (12.25 + 8 + Math.ceil((8 * 17 - 36 + 44) / 36) * 5) * 0.004_096;
    expect(
      channels.map(({ gatewayEui, frequencyHz, receptions, crcBad }) => [
        gatewayEui,
        frequencyHz,
        receptions,
        crcBad,
      ]),
    ).toEqual([
      [SHED, 868_300_000, 58, 1],
      [TOWER, 868_300_000, 1, 0],
    ]);
    expect(channels[1]?.airtimeSeconds).toBeCloseTo(airtimeSeconds, 3);
    expect(channels[0]?.airtimeSeconds).toBeCloseTo(58 * airtimeSeconds, 2);
    expect(cut).toEqual({ gateways: 0, channels: 0, nodes: 0 });
  });
});
