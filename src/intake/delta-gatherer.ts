/** How are many commits a second told to the service without a message each? Joined, at most every 100 ms. */
import type { Recorded } from "../store/recorder/rows.ts";
import type { CommitDelta } from "./handle.ts";

/** Identifiers named in one delta; beyond that the delta says `wide` and names none. */
const MOST_NAMED = 500;

export class DeltaGatherer {
  readonly #post: (delta: CommitDelta) => void;
  readonly #after: (work: () => void) => void;
  #gateways = new Set<string>();
  #nodes = new Set<string>();
  #lastReceptionId = 0;
  #wide = false;
  #pending = false;

  /** `after` runs its work once, a little later (100 ms). */
  constructor(post: (delta: CommitDelta) => void, after: (work: () => void) => void) {
    this.#post = post;
    this.#after = after;
  }

  add(recorded: Recorded): void {
    for (const gateway of recorded.gateways) this.#gateways.add(gateway);
    for (const node of recorded.nodes) this.#nodes.add(node);
    this.#lastReceptionId = Math.max(this.#lastReceptionId, recorded.lastReceptionId);
    this.#wide ||= recorded.wide || recorded.refused > 0;
    this.#schedule();
  }

  /** Something changed that concerns every view (a name, a capture). */
  widen(): void {
    this.#wide = true;
    this.#schedule();
  }

  #schedule(): void {
    if (this.#pending) return;
    this.#pending = true;
    this.#after(() => this.#flush());
  }

  #flush(): void {
    this.#pending = false;
    const tooMany = this.#gateways.size + this.#nodes.size > MOST_NAMED;
    this.#post({
      gateways: tooMany ? [] : [...this.#gateways],
      nodes: tooMany ? [] : [...this.#nodes],
      lastReceptionId: this.#lastReceptionId,
      wide: this.#wide || tooMany,
    });
    this.#gateways = new Set();
    this.#nodes = new Set();
    this.#wide = false;
  }
}
