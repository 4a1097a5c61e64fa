/** What would delivery be at the next data rates, or with less power: which questions make sense, and in which words? */
import type { WhatIf } from "../contract/link.ts";
import { type Delivery, deliveryUnder, type Outcome } from "./link-delivery.ts";
import { STEP_DB } from "./link-margins.ts";
import { decibels, share } from "./link-words.ts";

const FASTEST = 7;
const SLOWEST = 12;
const LESS_POWER_DB = 3;
/** With more repeats than this, counters no longer tell what one transmission achieves (chosen). */
const MOST_REPEAT_SHARE = 0.1;

export interface WhatIfEvidence {
  /** A counter each, in order. */
  readonly outcomes: readonly Outcome[];
  /** Of the newest frame. */
  readonly spreadingFactor: number | null;
  /** Share of transmissions that repeat a counter. */
  readonly repeatShare: number;
}

export interface WhatIfFindings {
  readonly delivery: Delivery;
  readonly whatIf: readonly WhatIf[];
}

/** Each frame is asked about at its own data rate, a step faster or slower than it was sent. */
export function whatIfs({ outcomes, spreadingFactor, repeatShare }: WhatIfEvidence): WhatIfFindings {
  const delivery = deliveryUnder(outcomes, 0);
  if (spreadingFactor === null) return { delivery, whatIf: [] };
  const questions: Pick<WhatIf, "what" | "title" | "marginChangeDb">[] = [
    {
      what: "faster",
      title: `SF${spreadingFactor - 1} in place of SF${spreadingFactor}`,
      marginChangeDb: -STEP_DB,
    },
    {
      what: "slower",
      title: `SF${spreadingFactor + 1} in place of SF${spreadingFactor}`,
      marginChangeDb: STEP_DB,
    },
    {
      what: "less-power",
      title: `${LESS_POWER_DB}\u202FdB less power`,
      marginChangeDb: -LESS_POWER_DB,
    },
  ];
  return {
    delivery,
    whatIf: questions.map((question) => {
      const none = noneWords(question.what, spreadingFactor, repeatShare);
      if (none !== null)
        return { ...question, title: titleOf(question), ratio: null, interval95: null, words: none };
      const would = deliveryUnder(outcomes, question.marginChangeDb);
      return { ...question, ...would, words: wordsOf(would) };
    }),
  };
}

function titleOf({ what, title }: Pick<WhatIf, "what" | "title">): string {
  if (title.startsWith(`SF${FASTEST - 1} `)) return "Faster";
  return title.startsWith(`SF${SLOWEST + 1} `) && what === "slower" ? "Slower" : title;
}

function noneWords(what: WhatIf["what"], spreadingFactor: number, repeatShare: number): string | null {
  if (what === "faster" && spreadingFactor <= FASTEST)
    return `SF${spreadingFactor} is the fastest at 125\u202FkHz.`;
  if (what === "slower" && spreadingFactor >= SLOWEST) return `SF${SLOWEST} is the slowest.`;
  if (repeatShare > MOST_REPEAT_SHARE)
    return "Not to be told: frames are sent several times under one counter, so counters do not show what one transmission achieves.";
  return null;
}

function wordsOf({ ratio, interval95 }: Delivery): string {
  if (ratio === null || interval95 === null)
    return "Not enough to say: 20 counters expected and 10 frames with an SNR are needed.";
  return `About ${share(ratio)}, likely ${share(interval95[0])} to ${share(interval95[1])}.`;
}

/** To be shown beside every such figure. */
export const WHAT_IF_LIMITS = `From the margins of the frames that were heard, each weighed by its chance to be heard; losses for other reasons are taken to stay as they were. A step of data rate is ${decibels(STEP_DB)}.`;
