/** How well does the gateway's receiver demodulate? Measured from traffic, spreading factor by spreading factor. */
import type {
  BenchState,
  DeliveryAtSnr,
  ReceiverFactor,
  ReceiverView,
} from "../../../../src/contract/bench.ts";
import { decibel, figure, percent, percentInterval } from "../../../../src/words/format.ts";
import { DeliveryCurve } from "../../drawings/curves.tsx";
import { type Column, column, DataTable, RIGHT } from "../../parts/DataTable.tsx";
import { LinkButton } from "../../parts/form.tsx";
import { Gate } from "../../parts/Gate.tsx";
import { Figure, Fold, StandingMark } from "../../parts/page.tsx";
import { currentWindow } from "../../state/route.ts";
import { useViewData } from "../../state/view-data.ts";
import { BENCH_STANDINGS } from "./Reference.tsx";
import "./Receiver.css";
import { Heading } from "../../parts/Explain.tsx";

/** The words of the check list above, so that one page has one scale; the sentence beside says the rest. */
const STATES: Readonly<Record<ReceiverView["verdict"], BenchState>> = {
  deaf: "fail",
  sound: "pass",
  open: "warn",
  "not enough": "waiting",
};

/** Asked for once a window: it takes a moment, and the next frames change it little. */
export function ReceiverPart({ eui }: { readonly eui: string }) {
  const loaded = useViewData<ReceiverView>(
    { path: `/api/gateways/${encodeURIComponent(eui)}/receiver` },
    currentWindow.value,
  );
  return (
    <section class="receiver" aria-label="The receiver, measured">
      <Heading text="The receiver, measured" />
      <Gate loaded={loaded} part>
        {(view) => <Measured view={view} again={loaded.reload} />}
      </Gate>
    </section>
  );
}

function Measured({ view, again }: { readonly view: ReceiverView; readonly again: () => void }) {
  const { verdict, sentence, basisText, factors, noise, reference, limits } = view;
  const drawn = factors.filter(({ points, levelDb }) => levelDb !== null && points.length > 0);
  const others = factors.filter((factor) => !drawn.includes(factor));
  return (
    <>
      <p class="receiver-verdict">
        <StandingMark standing={BENCH_STANDINGS[STATES[verdict]]} word={STATES[verdict]} />{" "}
        <span>{sentence.map(({ text }) => text).join("")}</span>
      </p>
      {drawn.length === 0 ? null : (
        <>
          <div class="receiver-figures">
            {drawn.map((factor) => (
              <Factor key={factor.spreadingFactor} factor={factor} />
            ))}
          </div>
          <p class="small quiet">
            Circle: share delivered within 1&#8239;dB, with its interval. Solid rule and hatched band: SNR of
            half delivery, with its interval. Dashed rule: the data sheet's floor.
          </p>
        </>
      )}
      <ul class="receiver-facts">
        {others.map(({ spreadingFactor, sentence: said }) => (
          <li key={spreadingFactor}>{said}.</li>
        ))}
        {reference === null ? null : <li>{reference.sentence}</li>}
        <li>{noise.sentence}</li>
        {noise.others.map(({ eui, sentence: said }) => (
          <li key={eui}>{said}</li>
        ))}
      </ul>
      <p class="small quiet">
        {basisText}{" "}
        <LinkButton class="link screen-only" onClick={again}>
          measure again
        </LinkButton>
      </p>
      <Fold title="What this measure cannot tell">
        <ul class="receiver-limits">
          {limits.map((limit) => (
            <li key={limit}>{limit}</li>
          ))}
        </ul>
      </Fold>
    </>
  );
}

const COLUMNS: readonly Column<DeliveryAtSnr>[] = [
  column("SNR", RIGHT, ({ snrDb }) => decibel(snrDb)),
  column("Frames", RIGHT, ({ frames }) => figure(frames)),
  column("Delivered", RIGHT, ({ delivered }) => percent(delivered)),
  column("Interval", RIGHT, ({ interval95 }) => percentInterval(interval95)),
];

function Factor({ factor }: { readonly factor: ReceiverFactor }) {
  const { spreadingFactor, sentence, frames, missed, nodes } = factor;
  const caption = `${sentence.charAt(0).toUpperCase()}${sentence.slice(1)}.`;
  return (
    <Figure
      caption={caption}
      legend={`${figure(missed)} of ${figure(frames)} frames of ${figure(nodes)} ${nodes === 1 ? "node" : "nodes"} missed`}
      drawing={<DeliveryCurve factor={factor} label={caption} />}
      table={() => (
        <DataTable
          label={`Delivery by SNR at SF${spreadingFactor}`}
          columns={COLUMNS}
          rows={factor.points}
          rowKey={({ snrDb }) => String(snrDb)}
        />
      )}
    />
  );
}
