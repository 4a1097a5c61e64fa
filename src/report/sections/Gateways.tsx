/** How did each gateway do: in reach, alive, by its own account? */
import type { GatewayRow } from "../../contract/gateways.ts";
import { type Clock, count, difference, quantity } from "../format.ts";
import { GatewayTitle, State } from "../parts.tsx";
import { HeartbeatPlot } from "../plots/HeartbeatPlot.tsx";

export function Gateways({
  gateways,
  clock,
}: {
  readonly gateways: readonly GatewayRow[];
  readonly clock: Clock;
}) {
  return (
    <section>
      <h2>Gateways</h2>
      {gateways.length === 0 ? <p>No gateway was heard in this window.</p> : null}
      {gateways.map((gateway) => (
        <Gateway key={gateway.eui} gateway={gateway} clock={clock} />
      ))}
    </section>
  );
}

const MOST_OUTAGES = 12;

function Gateway({ gateway, clock }: { readonly gateway: GatewayRow; readonly clock: Clock }) {
  const { heartbeat, outages, restartTimes, events } = gateway;
  return (
    <div class="keep">
      <h3>
        <GatewayTitle name={gateway.name} eui={gateway.eui} />
      </h3>
      <p>
        <State state={gateway.standing} />: {gateway.clause}.
      </p>
      <HeartbeatPlot
        beat={heartbeat}
        clock={clock}
        words="Receptions as height; the line beneath is unbroken where at least half of the keepalives came."
      />
      <dl>
        <dt>Receptions</dt>
        <dd>
          {count(gateway.receptions)}, of them {count(gateway.crcBad)} with a failed CRC;{" "}
          {count(gateway.datagrams)} datagrams
        </dd>
        <dt>Keepalive</dt>
        <dd>
          {gateway.keepaliveSeconds === null
            ? "not known"
            : `every ${quantity(gateway.keepaliveSeconds, "s", 0)}`}
        </dd>
        <dt>Plan</dt>
        <dd>
          {gateway.region.reason}
          {gateway.region.contradictions.map((words) => ` ${words}`)}
        </dd>
        <dt>Counter clock</dt>
        <dd>
          {gateway.clockDriftPpm === null
            ? "drift not known"
            : `${difference(gateway.clockDriftPpm, "ppm", 2)} against this machine`}
        </dd>
        <dt>Out of reach</dt>
        <dd>{gateway.outagesKnown ? outageWords(outages, clock) : NO_INTERVAL}</dd>
        {events.length === 0 ? null : (
          <>
            <dt>Events</dt>
            <dd>
              {events.slice(0, MOST_OUTAGES).map(({ kind, from, to, sentence, word, advice }) => (
                <p key={`${kind} ${from}`}>
                  {clock.stretch(from, to)} ({word}): {sentence} Next: {advice}
                </p>
              ))}
            </dd>
          </>
        )}
        <dt>Began anew</dt>
        <dd>
          {restartTimes.length === 0
            ? "never"
            : restartTimes
                .slice(0, MOST_OUTAGES)
                .map((at) => clock.moment(at))
                .join("; ")}
          {restartTimes.length > MOST_OUTAGES ? ` and ${restartTimes.length - MOST_OUTAGES} more times` : ""}
        </dd>
      </dl>
    </div>
  );
}

/** Without keepalives or reports a silence may be one of the air. */
const NO_INTERVAL = "not known: it sends neither keepalives nor reports";

function outageWords(outages: GatewayRow["outages"], clock: Clock): string {
  if (outages.length === 0) return "never";
  const shown = outages.slice(0, MOST_OUTAGES).map(({ from, to }) => clock.stretch(from, to));
  const more = outages.length > MOST_OUTAGES ? ` and ${outages.length - MOST_OUTAGES} more times` : "";
  return `${shown.join("; ")}${more}`;
}
