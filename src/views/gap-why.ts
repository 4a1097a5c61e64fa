/** What is the loss of each node attributed to? The heaviest cause of its dropouts, in words that stand after a clause. */

import type { FindingLine } from "../contract/gaps.ts";
import type { NodeRow } from "../contract/nodes.ts";
import { findingWords, mainCause } from "../diagnosis/gap-sentences.ts";
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import type { Store } from "../store/open.ts";
import { type CauseShare, causeShares } from "../store/queries/gaps.ts";
import { episodesOf } from "./episodes.ts";
import { dropoutRow } from "./gaps.ts";
import { earlierGaps, gapNamesOf, knownGaps, withMarks } from "./known-gaps.ts";

import type { AskedWindow } from "./window.ts";

/** What the losses of each life are attributed to, by "01A2B3C4/1". */
export type SharesByLife = ReadonlyMap<string, readonly CauseShare[]>;

export function sharesByLife(store: Store, window: AskedWindow): SharesByLife {
  return groupBy(sharesOf(store, window), (share) => `${formatDevAddr(share.devAddr)}/${share.life}`);
}

function sharesOf(store: Store, window: AskedWindow): CauseShare[] {
  const earlier = earlierGaps(store, window);
  if (earlier === null) return causeShares(store, window);
  const shares = new Map<string, CauseShare>();
  for (const { devAddr, life, cause, confidence, missed, expected } of earlier.gaps) {
    const key = `${devAddr}/${life}/${cause}`;
    const one = shares.get(key) ?? { devAddr, life, cause, lost: 0, confidence: 0 };
    const lost = one.lost + Math.max(missed, expected ?? 0);
    shares.set(key, { ...one, lost, confidence: Math.max(one.confidence, confidence) });
  }
  return [...shares.values()];
}

/** The row with what its loss is attributed to; a row without a loss keeps quiet of it. */
export function withWhy(row: NodeRow, shares: SharesByLife): NodeRow {
  const own = row.missed > 0 || row.overdue ? shares.get(`${row.devAddr}/${row.life}`) : undefined;
  return { ...row, why: own === undefined ? null : mainCause(own, row.missed) };
}

/** Dropouts that are looked through for the newest findings: enough for a long outage of a large site. */
const MAX_LOOKED_AT = 400;

/** The newest findings of one's own nodes and of gateways, at most `most`. */
export function newestFindings(store: Store, window: AskedWindow, most: number): FindingLine[] {
  const names = gapNamesOf(store, window);
  const known = knownGaps(store, window, MAX_LOOKED_AT);
  const rows = known.gaps.map((gap) => dropoutRow(gap, names, window)).filter(({ stranger }) => !stranger);
  const { episodes, gaps } = episodesOf(rows, known.outages, names, window);
  const lines = [...episodes, ...gaps.filter(({ episode }) => episode === null)]
    .sort((a, b) => Number(b.open) - Number(a.open) || b.from.localeCompare(a.from))
    .slice(0, most);
  return withMarks(store, lines).map((line) => ({
    id: line.id,
    at: line.from,
    open: line.open,
    who: "devAddr" in line ? (line.name ?? line.devAddr) : (line.gatewayName ?? line.gateway ?? "the site"),
    cause: line.finding.cause,
    words: findingWords(line.finding),
    sentence: line.finding.sentence,
    mark: line.mark ?? null,
  }));
}
