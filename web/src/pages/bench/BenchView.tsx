/** How does one gateway stand on the bench? Its verdict in a word and a sentence, the list, its last datagrams. */
import type { BenchView as Bench, BenchItem, BenchState } from "../../../../src/contract/bench.ts";
import type { Standing } from "../../../../src/contract/common.ts";
import { unbroken } from "../../format/format.ts";
import { clockTime, exactTime } from "../../format/times.ts";
import { Fold } from "../../parts/Fold.tsx";
import { NameEdit } from "../../parts/NameEdit.tsx";
import { Sentence } from "../../parts/Sentence.tsx";
import { StandingMark } from "../../parts/StandingMark.tsx";
import { When } from "../../parts/When.tsx";
import { linkTo } from "../../state/route.ts";
import { DownlinkTest } from "../relay/DownlinkTest.tsx";
import "./BenchView.css";

const STANDINGS: Record<BenchState, Standing> = {
  pass: "good",
  warn: "look",
  fail: "bad",
  waiting: "waiting",
};

export interface BenchViewProps {
  readonly bench: Bench;
  /** Called after the gateway was named. */
  readonly onChanged: () => void;
}

/** The bench of one gateway, fit to be printed. */
export function BenchView({ bench, onChanged }: BenchViewProps) {
  const { eui, name, source } = bench;
  return (
    <div class="bench">
      <p class="bench-verdict">
        <StandingMark standing={STANDINGS[bench.verdict]} word={bench.verdict} />
      </p>
      <Sentence words={bench.sentence} />
      <p class="bench-who">
        <span>
          Gateway <span class="mono">{eui}</span>
        </span>
        {source === null ? null : (
          <span>
            from <span class="mono">{source.replace(" ", " port ")}</span>
          </span>
        )}
        <span>
          last heard <When at={bench.lastHeard} />
        </span>
        <span class="screen-only">
          <NameEdit kind="gateway" id={eui} name={name} onChanged={onChanged} />
        </span>
      </p>
      <p class="bench-signed">
        {exactTime(Date.parse(bench.window.from))} to {exactTime(Date.parse(bench.window.to))}. Checked by:
      </p>
      <p class="bench-acts screen-only">
        <button type="button" class="plain first" onClick={() => print()}>
          Print
        </button>
        <a href={linkTo("/bench")}>Another gateway</a>
      </p>
      <div class="bench-columns">
        <ol class="bench-list" aria-label="Checks">
          {bench.items.map((item) => (
            <Check key={item.id} item={item} />
          ))}
        </ol>
        <section class="bench-feed screen-only" aria-label="Last datagrams">
          <h2>Last datagrams</h2>
          {bench.feed.length === 0 ? <p class="quiet">None came in this window.</p> : null}
          <ol>
            {bench.feed.map((one) => (
              <li key={one.id}>
                <time class="quiet" dateTime={one.at}>
                  {clockTime(Date.parse(one.at))}
                </time>
                <span>{unbroken(one.words)}</span>
              </li>
            ))}
          </ol>
        </section>
      </div>
      <DownlinkTest eui={eui} />
      <Fold title="Where the limits come from">
        <dl class="bench-basis">
          {bench.items.map((item) => (
            <div key={item.id}>
              <dt>{item.title}</dt>
              <dd>{unbroken(item.basis)}</dd>
            </div>
          ))}
        </dl>
        <p>
          A check waits while too little came to tell. The verdict is that of the worst check; it waits only
          as long as nothing is wrong and keepalives, reports, channel plan or channels are still open.
        </p>
      </Fold>
    </div>
  );
}

function Check({ item }: { item: BenchItem }) {
  return (
    <li class={`bench-check bench-${item.state}`}>
      <StandingMark standing={STANDINGS[item.state]} word={item.state} />
      <div>
        <h2>{item.title}</h2>
        <span class="bench-figure">{unbroken(item.figure)}</span>
      </div>
      <div class="bench-words">
        <p>{unbroken(item.reason)}</p>
        {item.advice === null ? null : <p>→ {unbroken(item.advice)}</p>}
      </div>
    </li>
  );
}
