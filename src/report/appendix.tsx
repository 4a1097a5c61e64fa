/** How were the figures made, and what must nobody conclude from them? */
import type { WalkReach, WalkStop, WalkView } from "../contract/link.ts";
import { figure, percent, withUnit } from "../words/format.ts";
import type { Clock } from "./parts.tsx";
import { Sentence, State, Table } from "./parts.tsx";
import { StopPlan } from "./plots.tsx";

export interface AppendixProps {
  /** How the trials of this report were found, each sentence once. */
  readonly trialMethod: readonly string[];
  readonly withPayloads: boolean;
}

export function Appendix({ trialMethod, withPayloads }: AppendixProps) {
  return (
    <section>
      <h2>Method and sources</h2>
      <ul class="method">
        <li>
          <b>Loss</b> is counted from frame counters: expected = last − first heard + 1 of one counter life,
          missed = expected − heard. Repeats of one counter are one delivery. Intervals are Wilson score
          intervals at 95 % (Newcombe 1998; NIST e-Handbook 7.2.4.1); they take losses for independent, which
          runs of losses are not.
        </li>
        <li>
          Counters missed while no gateway was reachable are counted apart: they are the gateways’ loss, not
          the air’s.
        </li>
        <li>
          <b>Margin</b> is SNR minus the demodulation floor of the spreading factor (SX1276 data sheet, Table
          13: −7.5 dB at SF7 to −20 dB at SF12). SNR reports stop rising near +10 dB, so that strong links may
          be stronger than they look.
        </li>
        <li>
          <b>Airtime</b> follows from modulation and size (SX1272 data sheet, 4.1.1.7), with the preamble of 8
          symbols that LoRaWAN uses. Heard airtime is a lower bound of what was sent.
        </li>
        <li>
          <b>Noise floor</b>: a low quantile of what frames at or below 0 dB SNR say of the noise around them.
          Signal levels of gateways are not calibrated against each other: compare gateways by SNR and
          delivery.
        </li>
        <li>
          <b>Findings</b> weigh what each cause would leave behind: whether the counter went on, whether other
          nodes were heard meanwhile, keepalives, restarts, margin, noise, load, channels, joins. A cause is
          named only when it beats the next by a stated factor; else the gap stays unexplained, with what to
          record next.
        </li>
        <li>
          <b>Trials</b>: SNR differences by node, pooled; frames that only one side heard are allowed for as
          lying below the other’s floor; delivery by McNemar’s test and paired proportions. Intervals respect
          that neighbouring frames are alike. What else may have changed stands beside each trial.
        </li>
        <li>
          <b>Outages</b> are stretches without any datagram for longer than three keepalives. A gateway
          restarted where its concentrator’s counter began again.
        </li>
      </ul>
      {trialMethod.length === 0 ? null : (
        <>
          <h3>How the trials were found</h3>
          <ul>
            {trialMethod.map((line) => (
              <li key={line}>{line}</li>
            ))}
          </ul>
        </>
      )}
      <h2>Cautions</h2>
      <ul>
        <li>
          Duty-cycle and dwell-time figures are indications from what was heard, not a statement of
          conformity. The published limits have exceptions, and the local regulator’s text prevails.
        </li>
        <li>
          Work at height, lightning protection and mains earthing belong to qualified people, under the codes
          of the place.
        </li>
        <li>Never key a transmitter without an antenna or a load.</li>
        <li>
          {withPayloads
            ? "This report holds payloads, as was asked for, and no keys."
            : "This report holds no keys and no payload of any node."}
        </li>
      </ul>
    </section>
  );
}

// Where did a carried node get through, and to which gateway?

export function Walks({ walks, clock }: { readonly walks: readonly WalkView[]; readonly clock: Clock }) {
  if (walks.length === 0) return null;
  return (
    <section>
      <h2>Walk test</h2>
      {walks.map((walk) => (
        <div key={walk.devAddr}>
          {walks.length === 1 ? null : <h3>{walk.name ?? walk.devAddr}</h3>}
          <Sentence parts={walk.sentence} />
          <Stops walk={walk} clock={clock} />
          <p class="quiet">Limits (common practice, no source): {walk.limits.words}.</p>
          <StopPlan
            walk={walk}
            caption={`Stops of ${walk.name ?? walk.devAddr} by the gateway that hears it best.`}
          />
        </div>
      ))}
    </section>
  );
}

function Stops({ walk, clock }: { readonly walk: WalkView; readonly clock: Clock }) {
  return (
    <Table<WalkStop>
      rows={walk.stops}
      columns={[
        { title: "Stop", of: ({ name }) => name },
        {
          title: "When",
          of: ({ from, to }) => (
            <span class="nobreak">
              {clock.near(from, walk.window.from, walk.window.to)} to {clock.minute(to)}
            </span>
          ),
        },
        { title: "Sent", kind: "number", of: ({ counters }) => figure(counters) },
        ...walk.gateways.map(({ eui, name }) => ({
          title: name ?? eui,
          of: (stop: WalkStop) => <Reach reach={stop.gateways.find((one) => one.gatewayEui === eui)} />,
        })),
      ]}
    />
  );
}

function Reach({ reach }: { readonly reach: WalkReach | undefined }) {
  if (reach === undefined) return <>–</>;
  const { verdict, deliveryRatio, marginDb } = reach;
  return (
    <>
      <State state={verdict} />
      {deliveryRatio === null ? "" : ` ${percent(deliveryRatio)}`}
      {marginDb.median === null ? "" : `, margin ${withUnit(marginDb.median, 1, "dB")}`}
    </>
  );
}
