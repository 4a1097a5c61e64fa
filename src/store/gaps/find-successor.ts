/**
 * Did a node that fell silent come back under another address? A device that joins gets a new one: a join-request after
 * the last frame, an address that begins at a low counter soon after it, as strong and in the same rhythm.
 */
import type { SceneGap, SceneReception, Successor } from "../../model/gap.ts";
import { median } from "../../statistics/robust.ts";
import type { Store } from "../open.ts";
import { prepared } from "../queries/statement.ts";

/** The first frame follows the join-accept within this time. Common practice, no source. */
const FIRST_FRAME_US = 600_000_000;
/** A new session begins at 0; the first frames may be lost. */
const MAX_FIRST_COUNTER = 5;
/** As strong: medians within this, dB. Chosen: fading of single frames, averaged. */
const LIKE_DB = 3.5;
/** Frames of the newcomer from which its strength and rhythm are believed. */
const MIN_FRAMES = 4;

interface Candidate {
  readonly id: number;
  readonly devAddr: number;
  readonly life: number;
  readonly firstAtUs: number;
  readonly joinEui: string;
  readonly joinAtUs: number;
  readonly rhythmUs: number | null;
}

/** null: nobody fits, or more than one does. */
export function findSuccessor(
  store: Store,
  gap: SceneGap,
  receptions: readonly SceneReception[],
): Successor | null {
  const candidates = prepared(
    store,
    `SELECT l.id, l.dev_addr AS devAddr, l.number AS life, l.first_at_us AS firstAtUs, j.dev_eui AS joinEui,
            max(j.at_us) AS joinAtUs,
            (SELECT (max(f.at_us) - l.first_at_us) / nullif(max(f.counter) - l.first_counter, 0) FROM frame f
             WHERE f.dev_addr = l.dev_addr AND f.life_id = l.id AND f.at_us <= @to AND f.replay = 0) AS rhythmUs
     FROM life l JOIN frame j INDEXED BY frame_join
       ON j.message_type = 0 AND j.at_us BETWEEN l.first_at_us - ${FIRST_FRAME_US} AND l.first_at_us
     WHERE l.first_at_us BETWEEN @from AND @to AND l.number = 1 AND l.first_counter <= ${MAX_FIRST_COUNTER}
       AND (SELECT count(*) FROM (SELECT 1 FROM frame f WHERE f.dev_addr = l.dev_addr AND f.life_id = l.id
                                  AND f.at_us <= @to AND f.repeat = 0
                                  AND f.replay = 0 LIMIT ${MIN_FRAMES})) = ${MIN_FRAMES} AND j.at_us > @from AND l.dev_addr <> @addr
     GROUP BY l.id, j.dev_eui ORDER BY l.first_at_us LIMIT 20`,
  ).all({ from: gap.fromUs, to: gap.toUs, addr: gap.devAddr }) as Candidate[];
  const there = atItsGateway(receptions, gap.lifeId);
  const level = levelOf(there, gap.lifeId);
  if (level === null) return null;
  const alike = candidates.filter(({ id, rhythmUs }) => {
    const theirs = levelOf(there, id);
    const sameRhythm =
      gap.rhythmUs === null || rhythmUs === null || Math.abs(rhythmUs / gap.rhythmUs - 1) < 0.25;
    return theirs !== null && sameRhythm && Math.abs(theirs - level) <= LIKE_DB;
  });
  const [only] = alike;
  if (only === undefined || new Set(alike.map(({ id }) => id)).size > 1) return null;
  const { devAddr, life, firstAtUs, joinEui, joinAtUs } = only;
  return { devAddr, life, firstAtUs, joinEui, joinAtUs };
}

/** What the gateway that heard the life most heard: strengths at two gateways do not compare. */
function atItsGateway(receptions: readonly SceneReception[], lifeId: number): SceneReception[] {
  const counts = new Map<number, number>();
  for (const one of receptions)
    if (one.lifeId === lifeId) counts.set(one.gatewayId, (counts.get(one.gatewayId) ?? 0) + 1);
  const [most] = [...counts].sort((a, b) => b[1] - a[1] || a[0] - b[0]);
  return receptions.filter(({ gatewayId }) => gatewayId === most?.[0]);
}

function levelOf(receptions: readonly SceneReception[], lifeId: number): number | null {
  const levels = receptions.flatMap((one) =>
    one.lifeId === lifeId && one.rssiDbm !== null ? [one.rssiDbm] : [],
  );
  return levels.length < MIN_FRAMES ? null : median(levels.slice(-40));
}
