/** Where does noise come from? Loud times, pulses and standing noise, each compared between the gateways. */
import { z } from "zod";
import { EuiText, IsoTime } from "./common.ts";

export const NoiseAtGateway = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  status: z
    .enum(["raised", "not raised", "drowned", "too few"])
    .describe("drowned: it heard next to nothing on these channels and as usual on others"),
  frequencyHz: z.number().int().nullable().describe("the channel that the levels are of"),
  samples: z.number().int().describe("frames that show the noise while it is there"),
  quietDbm: z.number().nullable(),
  loudDbm: z.number().nullable(),
  riseDb: z.number().nullable(),
  riseInterval95: z.tuple([z.number(), z.number()]).nullable(),
  receivedDbm: z
    .number()
    .nullable()
    .describe("power of the noise itself, the quiet level taken off; drowned: at least"),
});
export type NoiseAtGateway = z.infer<typeof NoiseAtGateway>;

export const NoiseSource = z.object({
  kind: z.enum(["loud time", "pulsed", "standing"]),
  from: IsoTime,
  to: IsoTime,
  beginSeen: z.boolean().describe("false: it was there from the first frames on"),
  endSeen: z.boolean(),
  frequenciesHz: z.array(z.number().int()).describe("channels on which it was found"),
  width: z
    .enum(["one channel", "several channels", "all channels", "open"])
    .describe("at the gateway that shows it best, among the channels that can be judged"),
  course: z.object({
    verdict: z.enum(["steady", "pulsed", "open"]),
    periodSeconds: z.number().nullable(),
    onShare: z.number().nullable().describe("of the period, in which frames meet it"),
    p: z.number().nullable().describe("chance of such a period, all frequencies looked at counted"),
  }),
  loudestHours: z
    .array(z.object({ hour: z.number().int(), medianDbm: z.number(), samples: z.number().int() }))
    .describe("hours of the day, UTC, with five frames or more, loudest first, three at most"),
  gateways: z.array(NoiseAtGateway),
  place: z.object({
    verdict: z.enum(["strongest", "alike", "open"]),
    gatewayEui: EuiText.nullable(),
    differenceDb: z.number().nullable().describe("above the next gateway; null: only a limit is known"),
    lowDb: z.number().nullable().describe("95 %, antennas and receivers that differ included"),
    highDb: z.number().nullable(),
    words: z.string(),
  }),
  walk: z
    .object({ fromEui: EuiText, towardsEui: EuiText, distanceM: z.number(), words: z.string() })
    .nullable()
    .describe("only between gateways with positions, and only beyond the interval"),
  words: z.string(),
});
export type NoiseSource = z.infer<typeof NoiseSource>;
