/** What has the node's link been through? Moments in order of time, each with how sure it is. */
import { useState } from "preact/hooks";
import type { LinkEventRow, NodePage } from "../../../src/contract/nodes.ts";
import { counted, figure } from "../format/format.ts";
import { certaintyWords } from "../format/key-words.ts";
import { nearTime } from "../format/times.ts";
import { now } from "../state/clock.ts";
import "./NodeStory.css";

/** More moments than these are asked for: the newest tell how the link stands. */
const FIRST_SHOWN = 12;

/** The section "Link story". */
export function NodeStory({ page }: { page: NodePage }) {
  const { story, storyCut } = page;
  const [all, setAll] = useState(false);
  const shown = all ? story : story.slice(-FIRST_SHOWN);
  const hidden = story.length - shown.length;
  return (
    <section aria-label="Link story">
      <h2>Link story</h2>
      {story.length === 0 ? (
        <p class="quiet">
          Nothing about the link changed or was arranged in this window, as far as its frames can be read.
        </p>
      ) : null}
      {storyCut ? (
        <p class="small quiet">
          Only the newest part of this window's story is told; choose a shorter window for what came before.
        </p>
      ) : null}
      {hidden === 0 ? null : (
        <p>
          <button type="button" class="link small screen-only" onClick={() => setAll(true)}>
            show {counted(hidden, "earlier moment")}
          </button>
        </p>
      )}
      {story.length === 0 ? null : (
        <ol class="story">
          {shown.map((moment, index) => (
            <Moment key={`${moment.at} ${moment.kind} ${index}`} moment={moment} />
          ))}
        </ol>
      )}
    </section>
  );
}

function Moment({ moment }: { moment: LinkEventRow }) {
  const notes = [
    certaintyWords(moment.certainty),
    ...(moment.counter === null ? [] : [`FCnt ${figure(moment.counter)}`]),
    ...(moment.times > 1 ? [`said ${figure(moment.times)} times in a row`] : []),
  ];
  return (
    <li>
      <time class="story-time quiet" dateTime={moment.at}>
        {nearTime(Date.parse(moment.at), now.value)}
      </time>
      <span class="story-words">
        {moment.sentence} <span class="quiet small">{notes.join(" · ")}</span>
      </span>
    </li>
  );
}
