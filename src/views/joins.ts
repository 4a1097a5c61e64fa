/** Devices that ask to join: how often, whether they were accepted, and under which address they continued. */

import type { JoiningDevice, JoinsView } from "../contract/site.ts";
import { joinClause, joinsSentence } from "../diagnosis/notices.ts";
import { lateness } from "../ledger/downlink-timing.ts";
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { isoTime } from "../model/time-range.ts";
import type { Store } from "../store/open.ts";
import {
  type JoinRequestRecord,
  joinRequests,
  newestLifeOf,
  serverSeen,
} from "../store/queries/downlinks.ts";
import { decodePhyPayload } from "../wire/lorawan/phy-payload.ts";
import { type AskedWindow, windowView } from "./window.ts";

const MAX_DEVICES = 500;
/** Requests looked at, the newest. Chosen: a device in a loop asks a few thousand times a day. */
const MAX_REQUESTS = 20_000;

export function joinsView(store: Store, window: AskedWindow): JoinsView {
  const requests = joinRequests(store, window, MAX_REQUESTS + 1);
  const areAnswersSeen = serverSeen(store, window);
  const byDevice = groupBy(requests.slice(0, MAX_REQUESTS), (request) => request.devEui);
  const all = [...byDevice.values()].map((own) => joiningDevice(store, own, window, areAnswersSeen));
  return {
    window: windowView(window),
    sentence: joinsSentence(all, areAnswersSeen),
    joins: all.slice(0, MAX_DEVICES),
    joinsCut: all.length > MAX_DEVICES || requests.length > MAX_REQUESTS,
  };
}

/** `own`: the requests of one device, newest first. */
function joiningDevice(
  store: Store,
  own: readonly [JoinRequestRecord, ...JoinRequestRecord[]],
  window: AskedWindow,
  areAnswersSeen: boolean,
): JoiningDevice {
  const [newest] = own;
  const oldest = own.at(-1) ?? newest;
  const fates = own.map(fateOf);
  const countOf = (fate: Fate) => (areAnswersSeen ? fates.filter((one) => one === fate).length : null);
  const life = newestLifeOf(store, newest.devEui, oldest.atUs, window.toUs);
  const figures = {
    requests: own.length,
    accepted: countOf("accepted"),
    late: countOf("late"),
    unanswered: countOf("unanswered"),
  };
  const devAddr = life === null ? null : formatDevAddr(life.devAddr);
  return {
    devEui: newest.devEui,
    joinEui: joinEuiOf(newest.payload),
    ...figures,
    ...(life === null || devAddr === null ? {} : { devAddr, life: life.life }),
    firstHeard: isoTime(oldest.atUs),
    lastHeard: isoTime(newest.atUs),
    clause: joinClause(figures, devAddr),
  };
}

type Fate = "accepted" | "late" | "unanswered";

function fateOf({ isAnswered, outcome, word, leadUs }: JoinRequestRecord): Fate {
  if (isAnswered === 0) return "unanswered";
  const isSent = outcome !== "refused" && lateness({ moment: "counter", leadUs, outcome, word }) !== "late";
  return isSent ? "accepted" : "late";
}

function joinEuiOf(payload: Uint8Array | null): string | null {
  const decoded = payload === null ? null : decodePhyPayload(payload);
  if (decoded === null || !decoded.ok || !("joinEui" in decoded.value)) return null;
  return decoded.value.joinEui ?? null;
}
