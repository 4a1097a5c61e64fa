/** What a person notes of a gateway on the bench: its serial number or work order, and that it is signed off. */
import { useState } from "preact/hooks";
import type { BenchView as Bench } from "../../../../src/contract/bench.ts";
import { exactTime } from "../../format/times.ts";
import { NameEdit } from "../../parts/NameEdit.tsx";
import { putBenchRecord } from "../../state/api.ts";

export interface BenchRecordProps {
  readonly bench: Pick<Bench, "eui" | "serial" | "signedOff" | "verdict">;
  readonly onChanged: () => void;
}

/** Within the line that says which gateway it is; what is noted is printed, buttons are not. */
export function BenchRecord({ bench, onChanged }: BenchRecordProps) {
  const { eui, serial } = bench;
  return (
    <>
      <span class={serial === null ? "screen-only" : ""}>
        {serial === null ? "no serial number or order" : `serial or order ${serial}`}{" "}
        <NameEdit kind="bench-serial" id={eui} name={serial} onChanged={onChanged} />
      </span>
      <SigningOff bench={bench} onChanged={onChanged} />
    </>
  );
}

function SigningOff({ bench: { eui, signedOff, verdict }, onChanged }: BenchRecordProps) {
  const [trouble, setTrouble] = useState<string | null>(null);
  const write = async (moment: "now" | null) => {
    const answer = await putBenchRecord(eui, { signedOff: moment });
    setTrouble(answer.ok ? null : `${answer.problem.sentence} ${answer.problem.remedy}`);
    if (answer.ok) onChanged();
  };
  const alert = trouble === null ? null : <span role="alert">✕ {trouble}</span>;
  if (signedOff === null)
    return (
      <span class="screen-only">
        <button type="button" class="plain" onClick={() => void write("now")}>
          {SIGN[verdict]}
        </button>{" "}
        {alert}
      </span>
    );
  return (
    <span>
      signed off {exactTime(Date.parse(signedOff))}{" "}
      <button type="button" class="link small screen-only" onClick={() => void write(null)}>
        take the signing off back
      </button>{" "}
      {alert}
    </span>
  );
}

/** Nobody signs off unawares what did not pass. */
const SIGN: Readonly<Record<Bench["verdict"], string>> = {
  pass: "Sign off",
  warn: "Sign off with checks to look at",
  waiting: "Sign off with checks open",
  fail: "Sign off although a check fails",
};
