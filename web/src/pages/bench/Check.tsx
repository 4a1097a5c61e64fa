/** One check of the bench list: its state, its figure, the reason, and what to do. */
import type { BenchItem, BenchState } from "../../../../src/contract/bench.ts";
import type { Standing } from "../../../../src/contract/common.ts";
import { duration, unbroken } from "../../format/format.ts";
import { StandingMark } from "../../parts/StandingMark.tsx";

export const BENCH_STANDINGS: Readonly<Record<BenchState, Standing>> = {
  pass: "good",
  warn: "look",
  fail: "bad",
  waiting: "waiting",
};

export function Check({ item }: { readonly item: BenchItem }) {
  return (
    <li class={`bench-check bench-${item.state}`}>
      <StandingMark standing={BENCH_STANDINGS[item.state]} word={item.state} />
      <div>
        <h2>{item.title}</h2>
        <span class="bench-figure">{unbroken(item.figure)}</span>
      </div>
      <div class="bench-words">
        <p>{unbroken(item.reason)}</p>
        {item.advice === null ? null : <p class="bench-advice">→ {unbroken(item.advice)}</p>}
        {item.awaits === null ? null : (
          <p class="quiet">
            {item.awaitsSeconds === null ? "Needs" : `About ${duration(item.awaitsSeconds)}:`}{" "}
            {unbroken(item.awaits)}.
          </p>
        )}
      </div>
    </li>
  );
}
