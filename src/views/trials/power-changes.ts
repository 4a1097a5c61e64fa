/** When may the network have changed a node's transmit power? When the node accepted a LinkADRReq. */

import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../../store/open.ts";
import { framesWithCommands } from "../../store/queries/trial-frames.ts";
import { decodeMacCommands } from "../../wire/lorawan/mac-commands.ts";
import { decodePhyPayload } from "../../wire/lorawan/phy-payload.ts";

/** Answers read of one life: a network that commands more often than this leaves nothing to compare. */
const MOST_READ = 300;

/**
 * Moments in order. LoRaWAN 1.0.3, section 5.2: the answer says which of power, data rate and channels were accepted, not
 * which changed, and the request itself went down unheard; so every accepted one counts. FOpts of 1.1 are encrypted, and
 * what does not read to its end as commands is left out.
 */
export function powerChangesUs(store: Store, lifeId: number, window: TimeWindow): number[] {
  return framesWithCommands(store, lifeId, window, MOST_READ)
    .flatMap(({ atUs, payload }) => (acceptsPower(payload) ? [atUs] : []))
    .reverse();
}

function acceptsPower(payload: Uint8Array): boolean {
  const decoded = decodePhyPayload(payload);
  if (!decoded.ok || !("fOpts" in decoded.value)) return false;
  const { commands, stop } = decodeMacCommands(decoded.value.fOpts, "up");
  if (stop !== null) return false;
  // When any part is refused the node changes nothing (LoRaWAN 1.0.3, section 5.2).
  return commands.some(
    ({ name, powerAck, dataRateAck, channelMaskAck }) =>
      name === "LinkADRAns" && powerAck === true && dataRateAck === true && channelMaskAck === true,
  );
}
