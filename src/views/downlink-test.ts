/** What test frame may be sent through one gateway now? From the plan that it was recognised to follow, and what it sent. */
import type { DownlinkTestPlan } from "../contract/downlink-test.ts";
import {
  judgeTest,
  type TestVerdict,
  TRANSMIT_CAUTIONS,
  testChannels,
} from "../diagnosis/test-transmission.ts";
import { describeModulation } from "../model/modulation.ts";
import { DUTY_CYCLE_PERIOD_US } from "../radio/duty-cycle.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import type { Store } from "../store/open.ts";
import { gatewayTransmissions, lastPullUs } from "../store/queries/downlinks.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { heardPlan } from "./heard-plan.ts";

/** The plan is recognised from what was heard in so long. Chosen: a bench's afternoon. */
const LOOK_BACK_US = 24 * 3_600_000_000;

export interface DownlinkTestContext {
  readonly nowUs: number;
  readonly ownPlans: readonly RegionPlan[];
  /** Why no test may be made whatever the gateway; empty when one may. */
  readonly forbidden: string;
}

/** null: no such gateway. */
export function downlinkTestPlan(
  store: Store,
  gatewayEui: string,
  { nowUs, ownPlans, forbidden }: DownlinkTestContext,
): DownlinkTestPlan | null {
  const gateway = allGateways(store).find(({ eui }) => eui === gatewayEui);
  if (gateway === undefined) return null;
  const region = regionOf(store, gateway, nowUs, ownPlans);
  const { channels, why } =
    region.plan === null ? { channels: [], why: region.why } : testChannels(region.plan);
  const pullUs = lastPullUs(store, gateway.id);
  const calledSecondsAgo = pullUs === null ? null : Math.max(0, Math.round((nowUs - pullUs) / 1e5) / 10);
  const reason = forbidden || (why === "" ? "" : why);
  return {
    gatewayEui,
    allowed: reason === "",
    why: reason,
    region: region.plan?.name ?? null,
    channels: channels.map(({ frequencyHz, dataRates, mostPowerDbm, text, source }) => ({
      frequencyHz,
      dataRates: dataRates.map(describeModulation),
      mostPowerDbm,
      text,
      source,
    })),
    cautions: [...TRANSMIT_CAUTIONS],
    calledSecondsAgo,
  };
}

/** Whether this very frame may be sent; null: no such gateway. */
export function downlinkTestVerdict(
  store: Store,
  asked: {
    readonly gatewayEui: string;
    readonly frequencyHz: number;
    readonly dataRate: string;
    readonly powerDbm: number;
  },
  { nowUs, ownPlans, forbidden }: DownlinkTestContext,
): TestVerdict | null {
  const gateway = allGateways(store).find(({ eui }) => eui === asked.gatewayEui);
  if (gateway === undefined) return null;
  if (forbidden !== "") return { ok: false, why: forbidden };
  const { plan, why } = regionOf(store, gateway, nowUs, ownPlans);
  if (plan === null) return { ok: false, why };
  const sent = gatewayTransmissions(store, gateway.id, {
    fromUs: nowUs - DUTY_CYCLE_PERIOD_US,
    toUs: nowUs + 1,
  });
  return judgeTest({
    ...asked,
    plan,
    usedUs: (fromHz, toHz) =>
      sent
        .filter(({ frequencyHz }) => frequencyHz !== null && frequencyHz >= fromHz && frequencyHz <= toHz)
        .reduce((sum, { airtimeUs }) => sum + airtimeUs, 0),
  });
}

function regionOf(
  store: Store,
  gateway: GatewayRecord,
  nowUs: number,
  ownPlans: readonly RegionPlan[],
): { plan: RegionPlan | null; why: string } {
  const { recognition } = heardPlan(
    store,
    gateway.id,
    { fromUs: nowUs - LOOK_BACK_US, toUs: nowUs + 1 },
    ownPlans,
  );
  if (recognition.name === null)
    return { plan: null, why: `The region is not known, so nothing may be sent: ${recognition.reason}` };
  const plan = regionPlan(recognition.name);
  return plan === null
    ? { plan: null, why: `${recognition.name} is a plan of your own: no published limits are known for it.` }
    : { plan, why: "" };
}
