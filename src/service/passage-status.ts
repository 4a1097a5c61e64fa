/** How does the passage stand? The relay's figures in the contract's shape; null when nothing is relayed. */
import type { Passage } from "../contract/passage.ts";
import {
  judgePassage,
  judgeUpstream,
  notRelayedWords,
  type UpstreamFacts,
} from "../diagnosis/passage-words.ts";
import type { IntakeFigures } from "../intake/handle.ts";
import type { RelayFigures } from "../intake/relay/messages.ts";
import { relayTargetText } from "../intake/relay/targets.ts";
import { isoTime } from "../model/window.ts";

export function passageStatus({ relay, storage, dropped }: IntakeFigures, nowMs: number): Passage | null {
  if (relay === null) return null;
  const { upstreams, gateways, associations, up, down, strayDownlinks, copiesLost } = relay;
  const facts = upstreams.map((upstream) => factsOf(upstream, nowMs));
  return {
    ...judgePassage({ upstreams: facts, gateways, storage }),
    upstreams: upstreams.map((upstream, index) => ({
      host: upstream.host,
      port: upstream.port,
      address: upstream.address,
      role: index === 0 ? ("server" as const) : ("hears only" as const),
      state: upstream.state,
      ...judgeUpstream(factsOf(upstream, nowMs)),
      sent: upstream.sent,
      unsent: upstream.unsent,
      received: upstream.received,
      refusals: upstream.refusals,
      lastAnswerAt: upstream.lastAnswerAtUs === null ? null : isoTime(upstream.lastAnswerAtUs),
    })),
    gateways,
    associations,
    up,
    down,
    notRelayed: Object.entries(relay.notRelayed)
      .filter(([, count]) => count > 0)
      .map(([reason, count]) => ({ reason, words: notRelayedWords(reason), count })),
    strayDownlinks,
    notRecorded: copiesLost + dropped,
  };
}

function factsOf(upstream: RelayFigures["upstreams"][number], nowMs: number): UpstreamFacts {
  const { state, trouble, lastAnswerAtUs } = upstream;
  const silentForSeconds = lastAnswerAtUs === null ? null : Math.max(0, nowMs - lastAnswerAtUs / 1000) / 1000;
  return { name: relayTargetText(upstream), state, trouble, silentForSeconds };
}
