/** What happened to a gateway as a whole: its radio, its level, its way to the listener; each with the next step. */
import type { GatewayEvent } from "../../../src/contract/gateways.ts";
import { duration, percent, THIN } from "../format/format.ts";
import { Fold } from "../parts/Fold.tsx";
import { When } from "../parts/When.tsx";

/** Lines that are shown at once; the others are folded. */
const MAX_LINES = 3;

const TITLES: Readonly<Record<GatewayEvent["kind"], string>> = {
  "gateway-deaf": "Radio deaf",
  "gateway-weakened": "Hears all weaker",
  "gateway-strengthened": "Hears all stronger",
  "backhaul-loss": "Datagrams lost",
  "late-acknowledgements": "Acknowledgements late",
};

/** The events beneath a heartbeat, newest first; nothing where there are none. */
export function GatewayEvents({ events }: { readonly events: readonly GatewayEvent[] }) {
  if (events.length === 0) return null;
  const more = events.slice(MAX_LINES);
  return (
    <>
      <Lines events={events.slice(0, MAX_LINES)} />
      {more.length === 0 ? null : (
        <Fold title={`${more.length} more events`}>
          <Lines events={more} />
        </Fold>
      )}
    </>
  );
}

function Lines({ events }: { readonly events: readonly GatewayEvent[] }) {
  return (
    <ul class="gateway-events">
      {events.map((event) => (
        <li key={`${event.kind} ${event.from}`}>
          <p>
            <strong>{TITLES[event.kind]}</strong>{" "}
            <span class="quiet">
              <When at={event.from} />, {duration((Date.parse(event.to) - Date.parse(event.from)) / 1000)}
              {event.open ? " so far" : ""}; {event.word},{" "}
              {percent(Math.floor(event.confidence * 100) / 100, 0)}
            </span>
          </p>
          <p>{event.sentence.replaceAll("\u2009", THIN)}</p>
          <p>
            <span class="quiet">Next:</span> {event.advice}
          </p>
        </li>
      ))}
    </ul>
  );
}
