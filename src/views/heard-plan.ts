/** Which channel plan do a gateway's packets speak of, and on what was it heard? */
import type { TimeWindow } from "../model/window.ts";
import {
  type HeardChannel,
  type RegionRecognition,
  recogniseRegion,
} from "../radio/regions/recognise-region.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { heardChannels } from "../store/queries/gateways.ts";

export interface HeardPlan {
  readonly heard: readonly HeardChannel[];
  readonly recognition: RegionRecognition;
}

/** `ownPlans`: channel plans of the user's own, judged beside the regions. */
export function heardPlan(
  store: Store,
  gatewayId: number,
  window: TimeWindow,
  ownPlans: readonly RegionPlan[],
): HeardPlan {
  const heard = heardChannels(store, gatewayId, window).map(
    ({ frequencyHz, dataRate, codingRate, size, count }) => ({
      frequencyHz,
      modulation: modulationFromCodes(dataRate, codingRate),
      payloadBytes: size,
      count,
    }),
  );
  return { heard, recognition: recogniseRegion(heard, ownPlans) };
}
