/** What would the service say of the links of Fennick Orchard? The shed's stepped, the tower's is steady. */
import type { LinkRow, NodeRow, SignalSeries } from "../../src/contract/index.ts";
import { marginDistribution } from "../../src/diagnosis/link-delivery.ts";
import type { Span } from "./orchard.ts";

const iso = (ms: number) => new Date(ms).toISOString();

/** One row a series. */
export function linksOf(
  series: readonly SignalSeries[],
  row: NodeRow,
  { fromMs, toMs }: Span,
  factor: number,
): LinkRow[] {
  const atMs = fromMs + (toMs - fromMs) * 0.4;
  return series.map(({ gatewayEui, gatewayName, snrDb, atMs: times }, index) => {
    const margin = marginDistribution(
      snrDb.map((snr, at) => ({
        atUs: (times[at] ?? 0) * 1000,
        counter: at,
        spreadingFactor: factor,
        bandwidthHz: 125_000,
        frequencyHz: 868_100_000,
        snrDb: snr,
        rssiDbm: null,
        signalRssiDbm: null,
        frequencyOffsetHz: null,
      })),
    );
    const middle = margin.medianDb ?? 0;
    const sentence = "SNR fell by 6.1\u202FdB at about 08:40 UTC on 14 Mar.";
    return {
      gatewayEui,
      gatewayName,
      dataRate: `SF${factor}BW125`,
      margin,
      trend: {
        measure: "snr",
        slopePerDay: null,
        interval95: null,
        p: null,
        points: 3,
        effectivePoints: null,
        spanDays: (toMs - fromMs) / 86_400_000,
        verdict: "not enough",
        words: "Not enough to say: values on 3 hours, 6 are needed.",
      },
      shifts:
        index === 1
          ? []
          : [
              {
                at: iso(atMs),
                notBefore: iso(atMs - 60_000),
                notAfter: iso(atMs + 60_000),
                measure: "snr",
                fromMedianDb: -4,
                toMedianDb: -10.1,
                sizeDb: -6.1,
                sizeInterval95: [-7, -5.2],
                atLeast: false,
                pValue: 2e-9,
                marginFromDb: middle + 3,
                marginToDb: middle - 3.1,
                snrFromDb: -4,
                snrToDb: -10.1,
                withDataRateChange: false,
                sentence,
              },
            ],
      shiftsWords:
        index === 1 ? "No step of 3\u202FdB or more stands out from the wander of this link." : sentence,
      headroom: {
        steps: 1,
        words: `One step faster (SF${factor - 1}): the weakest tenth stands 3.1\u202FdB above the floor.`,
      },
      delivery: { ratio: row.deliveryRatio, interval95: row.deliveryInterval95 },
      byDataRate: [
        {
          dataRate: `SF${factor}BW125`,
          count: margin.count,
          p10Db: margin.p10Db,
          medianDb: margin.medianDb,
          p90Db: margin.p90Db,
          delivery: { ratio: row.deliveryRatio, interval95: row.deliveryInterval95 },
        },
      ],
      whatIf: [
        {
          what: "faster",
          title: `SF${factor - 1} in place of SF${factor}`,
          marginChangeDb: -2.5,
          ratio: 0.79,
          interval95: [0.68, 0.87],
          words: "About 79.0\u202F%, likely 68.0\u202F% to 87.0\u202F%.",
        },
        {
          what: "slower",
          title: `SF${factor + 1} in place of SF${factor}`,
          marginChangeDb: 2.5,
          ratio: 0.93,
          interval95: [0.85, 1],
          words: "About 93.0\u202F%, likely 85.0\u202F% to 100\u202F%.",
        },
        {
          what: "less-power",
          title: "3\u202FdB less power",
          marginChangeDb: -3,
          ratio: 0.74,
          interval95: [0.6, 0.84],
          words: "About 74.0\u202F%, likely 60.0\u202F% to 84.0\u202F%.",
        },
      ],
      frequencyOffset:
        index === 1
          ? null
          : {
              count: margin.count,
              medianHz: -2310,
              ppm: -2.66,
              limitHz: 31_250,
              slopePerDayHz: null,
              standing: "good",
              words:
                "\u22122310\u202FHz (\u22122.66\u202Fppm), node and gateway together: 7\u202F% of the 31.3\u202FkHz at which 3\u202FdB are lost.",
            },
      geometry: null,
      geometryWords: "No position is known for this node.",
    };
  });
}
