/**
 * Does this gateway transmit when it is asked to? One test frame, within the region's published limits, sent only when a
 * person has read the cautions and typed the gateway's identifier.
 */
import { useEffect, useId, useState } from "preact/hooks";
import type { DownlinkTestAnswer, DownlinkTestPlan } from "../../../../src/contract/bench.ts";
import type { Problem } from "../../../../src/contract/common.ts";
import { withUnit } from "../../../../src/words/format.ts";
import { Form, typed } from "../../parts/form.tsx";
import { StandingMark } from "../../parts/page.tsx";
import { getJson, postDownlinkTest, problemWords } from "../../state/api.ts";
import "./DownlinkTest.css";
import { Explained } from "../../parts/Explain.tsx";

/** The section for one gateway. */
export function DownlinkTest({ eui }: { eui: string }) {
  const [plan, setPlan] = useState<DownlinkTestPlan | null>(null);
  const [problem, setProblem] = useState<Problem | null>(null);
  useEffect(() => {
    const abort = new AbortController();
    void getJson<DownlinkTestPlan>(`/api/downlink-test?gateway=${eui}`, abort.signal).then((answer) => {
      if (abort.signal.aborted) return;
      setPlan(answer.ok ? answer.value : null);
      setProblem(answer.ok ? null : answer.problem);
    });
    return () => abort.abort();
  }, [eui]);
  return (
    <section aria-labelledby="downlink-test-head" class="screen-only">
      <h2 id="downlink-test-head">
        <Explained text="Downlink test" />
      </h2>
      {problem === null ? null : <p role="alert">{problemWords(problem)}</p>}
      {plan === null ? (
        problem === null ? (
          <p class="quiet">○ asking what may be sent</p>
        ) : null
      ) : plan.allowed ? (
        <TestForm plan={plan} />
      ) : (
        <p class="quiet">{plan.why}</p>
      )}
    </section>
  );
}

function TestForm({ plan }: { plan: DownlinkTestPlan }) {
  const id = useId();
  const { channels, gatewayEui } = plan;
  const [frequencyHz, setFrequency] = useState(channels[0]?.frequencyHz ?? 0);
  const channel = channels.find((one) => one.frequencyHz === frequencyHz) ?? channels[0];
  const [dataRate, setDataRate] = useState("SF9BW125");
  const [powerDbm, setPower] = useState(Math.min(14, channel?.mostPowerDbm ?? 0));
  const [confirm, setConfirm] = useState("");
  const [isSending, setSending] = useState(false);
  const [answer, setAnswer] = useState<DownlinkTestAnswer | null>(null);
  const [problem, setProblem] = useState<Problem | null>(null);
  if (channel === undefined) return <p class="quiet">No channel is known on which this gateway may send.</p>;
  const rates = channel.dataRates;
  const chosenRate = rates.includes(dataRate) ? dataRate : (rates[0] ?? "");
  const isConfirmed = confirm.trim().toUpperCase() === gatewayEui;
  const send = async () => {
    if (!isConfirmed || isSending) return;
    setSending(true);
    setAnswer(null);
    setProblem(null);
    const result = await postDownlinkTest({
      gatewayEui,
      confirm,
      frequencyHz,
      dataRate: chosenRate,
      powerDbm,
    });
    setSending(false);
    setConfirm("");
    if (result.ok) setAnswer(result.value);
    else setProblem(result.problem);
  };
  return (
    <>
      <ul class="test-cautions">
        {plan.cautions.map((sentence) => (
          <li key={sentence}>
            <StandingMark standing="look" word="caution" /> {sentence}
          </li>
        ))}
      </ul>
      <p class="small quiet">
        Plan {plan.region}. {channel.text} Source: {channel.source}.{" "}
        {plan.calledSecondsAgo === null
          ? "The gateway has not called yet."
          : `The gateway called ${withUnit(plan.calledSecondsAgo, 0, "s")} before this was asked.`}
      </p>
      <Form class="test-form" onSubmit={send}>
        <label>
          <span>Frequency</span>
          <select value={frequencyHz} onChange={(event) => setFrequency(Number(event.currentTarget.value))}>
            {channels.map((one) => (
              <option key={one.frequencyHz} value={one.frequencyHz}>
                {withUnit(one.frequencyHz / 1e6, 3, "MHz")}
              </option>
            ))}
          </select>
        </label>
        <label>
          <span>Data rate</span>
          <select value={chosenRate} onChange={(event) => setDataRate(event.currentTarget.value)}>
            {rates.map((rate) => (
              <option key={rate}>{rate}</option>
            ))}
          </select>
        </label>
        <label>
          <span>Power, dBm (at most {channel.mostPowerDbm})</span>
          <input
            type="number"
            min={-10}
            max={channel.mostPowerDbm}
            step="any"
            value={powerDbm}
            onInput={(event) => setPower(Number(event.currentTarget.value))}
          />
        </label>
        <label class="test-confirm">
          <span>
            Type <span class="mono">{gatewayEui}</span> to confirm
          </span>
          <input
            type="text"
            class="mono"
            autocomplete="off"
            spellcheck={false}
            aria-describedby={`${id}-why`}
            {...typed(confirm, setConfirm)}
          />
        </label>
        <button type="submit" class="plain" disabled={!isConfirmed || isSending}>
          transmit one frame
        </button>
        <span id={`${id}-why`} class="small quiet">
          {isConfirmed ? "This gateway will transmit." : "Type the identifier to enable sending."}
        </span>
      </Form>
      <p role="status">
        {isSending ? "○ sent; waiting for TX_ACK" : null}
        {answer === null ? null : <TestAnswer answer={answer} />}
        {problem === null ? null : (
          <>
            <StandingMark standing="bad" word="not sent" /> {problemWords(problem)}
          </>
        )}
      </p>
    </>
  );
}

function TestAnswer({ answer }: { answer: DownlinkTestAnswer }) {
  return (
    <>
      <StandingMark standing={answer.standing} word={answer.outcome} /> {answer.words}
      {answer.word === null ? null : <span class="mono"> {answer.word}</span>}
      {answer.answeredAfterMs === null ? "" : `; TX_ACK after ${withUnit(answer.answeredAfterMs, 1, "ms")}`};{" "}
      {withUnit(answer.airtimeMs, 1, "ms")} on the air
      {answer.sentPowerDbm === null ? "" : ` at ${withUnit(answer.sentPowerDbm, 0, "dBm")}`}; handed to{" "}
      <span class="mono">{answer.to.replace(" ", " port ")}</span>. An acceptance says that it is queued, not
      that it was heard.
    </>
  );
}
