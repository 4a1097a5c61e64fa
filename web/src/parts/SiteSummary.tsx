/** What is always so at the site, what happened, and what to do: each once, each leading to its evidence. */
import type { SiteEvent, SiteView } from "../../../src/contract/site.ts";
import { withShortEuis } from "../format.ts";
import { linkTo } from "../state/route.ts";
import "./PinMark.css";
import { When } from "./page.tsx";

/** Events shown before the reader asks for all of them on Gaps. */
const MAX_EVENTS = 6;

type Summary = Pick<SiteView, "standing" | "events" | "toDo">;

/** Next steps, strongest first; nothing where nothing is to be done. */
export function ToDo({ toDo }: Pick<Summary, "toDo">) {
  if (toDo.length === 0) return null;
  return (
    <>
      <h2>What to do</h2>
      <ol class="site-steps">
        {toDo.map((step) => (
          <li key={step}>{withShortEuis(step)}</li>
        ))}
      </ol>
      <p class="beneath small quiet">
        Work at height, mains and lightning protection are for qualified people. Local rules prevail.
      </p>
    </>
  );
}

/** Standing conditions, then events; a sentence where there are none. */
export function SiteSummary({ standing, events }: Pick<Summary, "standing" | "events">) {
  return (
    <>
      {standing.length === 0 ? null : (
        <>
          <h2>Always true in this window</h2>
          <ul class="mark-list site-always" aria-label="Standing conditions">
            {standing.map((one) => (
              <li key={`${one.kind} ${one.devAddr} ${one.gateway} ${one.frequencyHz}`}>
                <span class="mark-words">
                  {withShortEuis(one.sentence)} <a href={conditionLink(one)}>{CONDITION_LINKS[one.kind]}</a>
                </span>
              </li>
            ))}
          </ul>
        </>
      )}
      <h2>Events</h2>
      {events.length === 0 ? (
        <p class="quiet">No event in this window that chance and the nodes' own rhythms do not explain.</p>
      ) : (
        <ul class="mark-list" aria-label="Events, most counters missed first">
          {events.slice(0, MAX_EVENTS).map((event) => (
            <li key={`${event.from} ${event.devAddr} ${event.gateway} ${event.cause}`}>
              <When at={event.from} />
              <span class="mark-words">
                {withShortEuis(event.sentence)}
                {event.open ? " Still going on." : ""}{" "}
                <a href={eventLink(event)}>
                  evidence<span class="unseen"> for: {event.sentence}</span>
                </a>
              </span>
            </li>
          ))}
        </ul>
      )}
      <p class="beneath">
        <a href={linkTo("/gaps")}>
          {events.length > MAX_EVENTS ? `${events.length - MAX_EVENTS} more on Gaps` : "All gaps"}
        </a>
      </p>
    </>
  );
}

const CONDITION_LINKS: Readonly<Record<SiteView["standing"][number]["kind"], string>> = {
  "weak-link": "its page",
  "noisy-channel": "channels",
  "quiet-channel": "channels",
  "deaf-gateway": "check list",
  "wrong-plan": "check list",
};

function eventLink({ devAddr, cause }: SiteEvent): string {
  return linkTo("/gaps", devAddr === null ? { cause } : { node: devAddr });
}

function conditionLink(condition: SiteView["standing"][number]): string {
  const { devAddr, life, gateway } = condition;
  if (devAddr !== null) return linkTo(`/nodes/${devAddr}/${life ?? 1}`);
  return gateway === null ? linkTo("/air") : linkTo(`/bench/${gateway}`);
}
